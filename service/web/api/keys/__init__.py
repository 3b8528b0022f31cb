"""Who may call: keys made, listed, taken over from and stopped."""
