-- Widget keys are public: each is good on the pages of the origins that are listed with it, and on no others.

ALTER TABLE api_keys
    ADD COLUMN origins text[] NOT NULL DEFAULT '{}',
    ADD CONSTRAINT api_keys_origins_check CHECK (role = 'widget' OR origins = '{}');
