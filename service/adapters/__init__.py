"""Everything that talks to another process or a disk, and the form in which things are kept there: Postgres, Redis, the
embedded servers, jobs, mail, webhooks, photos, metrics, traces."""
