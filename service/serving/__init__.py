"""Running the service: the processes of the web server, the job worker, and the supervisor that keeps them going."""
