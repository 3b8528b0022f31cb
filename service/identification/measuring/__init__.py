"""What a tool in a hand does to a true size, and quantities put together from readings with their uncertainty."""
