"""Everything that talks to another process: Postgres, Redis, the embedded servers, the clock."""
