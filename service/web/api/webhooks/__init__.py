"""Where webhooks go, and the keys that cases are opened with: for whoever runs the service."""
