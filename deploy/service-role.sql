-- A role for the service that owns none of its tables, so that it cannot take away the triggers that keep the audit
-- trail, issued letters and kept records as they are. Run it once with psql as whoever runs `lobedesk migrate`, before or
-- after the first migration; what later ones add is granted by itself. Give the role a password, and the processes of
-- the service its address; `lobedesk migrate`, `backup` and `restore` stay with the owner.

DO $$ BEGIN
    CREATE ROLE lobedesk_service LOGIN;
EXCEPTION WHEN duplicate_object THEN
    NULL;
END $$;

GRANT USAGE ON SCHEMA public TO lobedesk_service;
GRANT SELECT, INSERT, UPDATE, DELETE ON ALL TABLES IN SCHEMA public TO lobedesk_service;
GRANT USAGE ON ALL SEQUENCES IN SCHEMA public TO lobedesk_service;
ALTER DEFAULT PRIVILEGES IN SCHEMA public GRANT SELECT, INSERT, UPDATE, DELETE ON TABLES TO lobedesk_service;
ALTER DEFAULT PRIVILEGES IN SCHEMA public GRANT USAGE ON SEQUENCES TO lobedesk_service;
