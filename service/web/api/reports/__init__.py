"""What the desk has learnt of itself."""
