-- A key may be made for a time, and a key that another takes over from works along with it for a while.

ALTER TABLE api_keys ADD COLUMN expires_at timestamptz;
