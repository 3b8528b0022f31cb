"""What workflows need of the world, as Protocols; adapters satisfy them by shape."""
