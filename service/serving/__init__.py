"""Running the service: the web server in its processes, and the supervisor that keeps them and the stores together."""
