"""Where webhooks go: for whoever runs the service."""
