"""One function for each thing the service does for someone; owns the transaction. No framework, no driver."""
