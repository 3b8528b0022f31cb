"""What confirmed cases teach, and how far the desk can be trusted."""
