"""What an answer would be, while readings are still being typed; nothing is kept."""
