"""What leaves the house: letters, news to stores, and the outbox both wait in."""
