-- An event of a posted shaft is never changed; but what was written of it, and the carrier's number, can be taken away
-- with whatever else is kept of its owner.

CREATE OR REPLACE FUNCTION mail_in_events_are_only_added_to() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF TG_OP = 'INSERT' THEN
        IF NEW.number <> (SELECT coalesce(max(number), 0) + 1 FROM mail_in_events WHERE mail_in_id = NEW.mail_in_id)
            OR NEW.at < (SELECT max(at) FROM mail_in_events WHERE mail_in_id = NEW.mail_in_id) THEN
            RAISE EXCEPTION 'an event comes after those before it' USING ERRCODE = 'integrity_constraint_violation';
        END IF;
        RETURN NEW;
    END IF;
    IF NEW.note IS NULL AND NEW.details = OLD.details - 'tracking'
        AND to_jsonb(NEW) - '{note,details}'::text[] = to_jsonb(OLD) - '{note,details}'::text[] THEN
        RETURN NEW;
    END IF;
    RAISE EXCEPTION 'an event of a shaft is never changed' USING ERRCODE = 'integrity_constraint_violation';
END $$;
