-- The schema at head, as pg_dump tells it; a test compares. Made by: python -m tests.integration.schema_dump

CREATE TYPE public.answer_state AS ENUM (
    'identified',
    'ambiguous',
    'not_in_catalogue',
    'more_readings_needed'
);

CREATE TYPE public.key_role AS ENUM (
    'widget',
    'desk',
    'bench',
    'admin'
);

CREATE DOMAIN public.length_unit AS text
	CONSTRAINT length_unit_check CHECK ((VALUE = ANY (ARRAY['in'::text, 'mm'::text])));

CREATE TYPE public.mail_in_event AS ENUM (
    'announced',
    'received',
    'moved',
    'measured',
    'reported',
    'consented',
    'returned',
    'scrapped',
    'withdrawn'
);

CREATE TYPE public.mail_in_state AS ENUM (
    'announced',
    'received',
    'measured',
    'reported',
    'returned',
    'scrapped',
    'withdrawn'
);

CREATE TYPE public.outbox_channel AS ENUM (
    'email',
    'webhook'
);

CREATE TYPE public.outbox_state AS ENUM (
    'waiting',
    'sent',
    'dead'
);

CREATE TYPE public.procrastinate_job_event_type AS ENUM (
    'deferred',
    'started',
    'deferred_for_retry',
    'failed',
    'succeeded',
    'cancelled',
    'abort_requested',
    'aborted',
    'scheduled',
    'retried'
);

CREATE TYPE public.procrastinate_job_status AS ENUM (
    'todo',
    'doing',
    'succeeded',
    'failed',
    'cancelled',
    'aborting',
    'aborted'
);

CREATE TYPE public.procrastinate_job_to_defer_v1 AS (
	queue_name character varying,
	task_name character varying,
	priority integer,
	lock text,
	queueing_lock text,
	args jsonb,
	scheduled_at timestamp with time zone
);

CREATE TYPE public.review_reason AS ENUM (
    'ambiguous',
    'not_in_catalogue',
    'person_asked_for',
    'reopened',
    'automatic_sample',
    'low_confidence',
    'answer_changed'
);

CREATE TYPE public.review_state AS ENUM (
    'waiting',
    'claimed',
    'decided',
    'withdrawn'
);

CREATE FUNCTION public.audit_trail_is_only_added_to() RETURNS trigger
    LANGUAGE plpgsql
    AS $$
BEGIN
    RAISE EXCEPTION 'the audit trail is only added to' USING ERRCODE = 'insufficient_privilege';
END;
$$;

CREATE FUNCTION public.calibrations_are_only_added_to() RETURNS trigger
    LANGUAGE plpgsql
    AS $$
BEGIN
    RAISE EXCEPTION 'a calibration is never changed' USING ERRCODE = 'integrity_constraint_violation';
END $$;

CREATE FUNCTION public.catalogue_revision_guard() RETURNS trigger
    LANGUAGE plpgsql
    SET enable_nestloop TO 'off'
    AS $$
DECLARE
    wrong text;
BEGIN
    IF TG_OP = 'DELETE' THEN
        RAISE EXCEPTION 'a catalogue revision is never deleted' USING ERRCODE = 'integrity_constraint_violation';
    END IF;
    IF (OLD.number, OLD.made_by, OLD.reason, OLD.made_at, OLD.cores, OLD.parts)
        IS DISTINCT FROM (NEW.number, NEW.made_by, NEW.reason, NEW.made_at, NEW.cores, NEW.parts)
        OR (OLD.state <> NEW.state AND NEW.state = 'loading') THEN
        RAISE EXCEPTION 'a catalogue revision is never changed' USING ERRCODE = 'integrity_constraint_violation';
    END IF;
    IF OLD.state = 'loading' AND NEW.state <> 'loading' THEN
        IF (SELECT count(*) FROM catalogue_core WHERE revision = NEW.number) <> NEW.cores
            OR (SELECT count(*) FROM catalogue_part WHERE revision = NEW.number) <> NEW.parts THEN
            wrong := 'it has other numbers of cores or parts than it states';
        ELSIF (SELECT count(DISTINCT part_number) FROM catalogue_lobe WHERE revision = NEW.number) <> NEW.parts THEN
            wrong := 'a part has no lobe';
        ELSIF (SELECT count(DISTINCT core) FROM catalogue_journal WHERE revision = NEW.number) <> NEW.cores THEN
            wrong := 'a core has no journal';
        ELSIF EXISTS (
            SELECT FROM catalogue_duration d JOIN catalogue_lobe l USING (revision, part_number, lobe)
            WHERE revision = NEW.number AND d.checking_lift_mm >= l.lift_mm
        ) THEN
            wrong := 'a checking lift is not below the lift';
        ELSIF EXISTS (
            SELECT FROM (
                SELECT crank_deg - lag(crank_deg) OVER (PARTITION BY part_number, lobe ORDER BY checking_lift_mm) AS rise
                FROM catalogue_duration WHERE revision = NEW.number
            ) AS steps WHERE rise >= 0
        ) THEN
            wrong := 'a duration does not fall as its checking lift rises';
        END IF;
        IF wrong IS NOT NULL THEN
            RAISE EXCEPTION 'this catalogue revision cannot be made active: %', wrong
                USING ERRCODE = 'integrity_constraint_violation';
        END IF;
    END IF;
    RETURN NEW;
END $$;

CREATE FUNCTION public.catalogue_rows_come_while_loading() RETURNS trigger
    LANGUAGE plpgsql
    AS $$
BEGIN
    IF EXISTS (
        SELECT FROM (SELECT DISTINCT revision FROM added) AS a JOIN catalogue_revision r ON r.number = a.revision
        WHERE r.state <> 'loading'
    ) THEN
        RAISE EXCEPTION 'a catalogue revision takes no rows once it has been active'
            USING ERRCODE = 'integrity_constraint_violation';
    END IF;
    RETURN NULL;
END $$;

CREATE FUNCTION public.catalogue_rows_stay() RETURNS trigger
    LANGUAGE plpgsql
    AS $$
BEGIN
    RAISE EXCEPTION 'rows of the catalogue are never changed; import a new revision'
        USING ERRCODE = 'integrity_constraint_violation';
END $$;

CREATE FUNCTION public.engine_versions_stay_as_written() RETURNS trigger
    LANGUAGE plpgsql
    AS $$
BEGIN
    -- the name follows from the number, and is not worked out yet
    IF TG_OP = 'DELETE' OR to_jsonb(NEW) - '{active,name}'::text[] IS DISTINCT FROM to_jsonb(OLD) - '{active,name}'::text[]
    THEN
        RAISE EXCEPTION 'an engine version stays as it was written' USING ERRCODE = 'insufficient_privilege';
    END IF;
    RETURN NEW;
END;
$$;

CREATE FUNCTION public.letters_stay_as_issued() RETURNS trigger
    LANGUAGE plpgsql
    AS $$
BEGIN
    RAISE EXCEPTION 'a letter is never changed once it is issued' USING ERRCODE = 'integrity_constraint_violation';
END $$;

CREATE FUNCTION public.lift_tables_stay_as_sent() RETURNS trigger
    LANGUAGE plpgsql
    AS $$
BEGIN
    IF NEW.sent IS DISTINCT FROM OLD.sent OR NEW.stored_form IS DISTINCT FROM OLD.stored_form
        OR NEW.bench IS DISTINCT FROM OLD.bench THEN
        RAISE EXCEPTION 'lift tables are kept as they were sent' USING ERRCODE = 'integrity_constraint_violation';
    END IF;
    RETURN NEW;
END $$;

CREATE FUNCTION public.mail_in_events_are_only_added_to() RETURNS trigger
    LANGUAGE plpgsql
    AS $$
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

CREATE FUNCTION public.procrastinate_cancel_job_v1(job_id bigint, abort boolean, delete_job boolean) RETURNS bigint
    LANGUAGE plpgsql
    AS $$
DECLARE
    _job_id bigint;
BEGIN
    IF delete_job THEN
        DELETE FROM procrastinate_jobs
        WHERE id = job_id AND status = 'todo'
        RETURNING id INTO _job_id;
    END IF;
    IF _job_id IS NULL THEN
        IF abort THEN
            UPDATE procrastinate_jobs
            SET abort_requested = true,
                status = CASE status
                    WHEN 'todo' THEN 'cancelled'::procrastinate_job_status ELSE status
                END
            WHERE id = job_id AND status IN ('todo', 'doing')
            RETURNING id INTO _job_id;
        ELSE
            UPDATE procrastinate_jobs
            SET status = 'cancelled'::procrastinate_job_status
            WHERE id = job_id AND status = 'todo'
            RETURNING id INTO _job_id;
        END IF;
    END IF;
    RETURN _job_id;
END;
$$;

CREATE FUNCTION public.procrastinate_defer_jobs_v1(jobs public.procrastinate_job_to_defer_v1[]) RETURNS bigint[]
    LANGUAGE plpgsql
    AS $$
DECLARE
    job_ids bigint[];
BEGIN
    WITH inserted_jobs AS (
        INSERT INTO procrastinate_jobs (queue_name, task_name, priority, lock, queueing_lock, args, scheduled_at)
        SELECT (job).queue_name,
               (job).task_name,
               (job).priority,
               (job).lock,
               (job).queueing_lock,
               (job).args,
               (job).scheduled_at
        FROM unnest(jobs) AS job
        RETURNING id
    )
    SELECT array_agg(id) FROM inserted_jobs INTO job_ids;

    RETURN job_ids;
END;
$$;

CREATE FUNCTION public.procrastinate_defer_periodic_job_v2(_queue_name character varying, _lock character varying, _queueing_lock character varying, _task_name character varying, _priority integer, _periodic_id character varying, _defer_timestamp bigint, _args jsonb) RETURNS bigint
    LANGUAGE plpgsql
    AS $$
DECLARE
	_job_id bigint;
	_defer_id bigint;
BEGIN
    INSERT
        INTO procrastinate_periodic_defers (task_name, periodic_id, defer_timestamp)
        VALUES (_task_name, _periodic_id, _defer_timestamp)
        ON CONFLICT DO NOTHING
        RETURNING id into _defer_id;

    IF _defer_id IS NULL THEN
        RETURN NULL;
    END IF;

    UPDATE procrastinate_periodic_defers
        SET job_id = (
            SELECT COALESCE((
                SELECT unnest(procrastinate_defer_jobs_v1(
                    ARRAY[
                        ROW(
                            _queue_name,
                            _task_name,
                            _priority,
                            _lock,
                            _queueing_lock,
                            _args,
                            NULL::timestamptz
                        )
                    ]::procrastinate_job_to_defer_v1[]
                ))
            ), NULL)
        )
        WHERE id = _defer_id
        RETURNING job_id INTO _job_id;

    DELETE
        FROM procrastinate_periodic_defers
        USING (
            SELECT id
            FROM procrastinate_periodic_defers
            WHERE procrastinate_periodic_defers.task_name = _task_name
            AND procrastinate_periodic_defers.periodic_id = _periodic_id
            AND procrastinate_periodic_defers.defer_timestamp < _defer_timestamp
            ORDER BY id
            FOR UPDATE
        ) to_delete
        WHERE procrastinate_periodic_defers.id = to_delete.id;

    RETURN _job_id;
END;
$$;

CREATE TABLE public.procrastinate_jobs (
    id bigint NOT NULL,
    queue_name character varying(128) NOT NULL,
    task_name character varying(128) NOT NULL,
    priority integer DEFAULT 0 NOT NULL,
    lock text,
    queueing_lock text,
    args jsonb DEFAULT '{}'::jsonb NOT NULL,
    status public.procrastinate_job_status DEFAULT 'todo'::public.procrastinate_job_status NOT NULL,
    scheduled_at timestamp with time zone,
    attempts integer DEFAULT 0 NOT NULL,
    abort_requested boolean DEFAULT false NOT NULL,
    worker_id bigint,
    CONSTRAINT check_not_todo_abort_requested CHECK ((NOT ((status = 'todo'::public.procrastinate_job_status) AND (abort_requested = true))))
);

CREATE FUNCTION public.procrastinate_fetch_job_v2(target_queue_names character varying[], p_worker_id bigint) RETURNS public.procrastinate_jobs
    LANGUAGE plpgsql
    AS $$
DECLARE
	found_jobs procrastinate_jobs;
BEGIN
    WITH candidate AS (
        SELECT jobs.*
            FROM procrastinate_jobs AS jobs
            WHERE
                -- reject the job if its lock has earlier or higher priority jobs
                NOT EXISTS (
                    SELECT 1
                        FROM procrastinate_jobs AS other_jobs
                        WHERE
                            jobs.lock IS NOT NULL
                            AND other_jobs.lock = jobs.lock
                            AND (
                                -- job with same lock is already running
                                other_jobs.status = 'doing'
                                OR
                                -- job with same lock is waiting and has higher priority (or same priority but was queued first)
                                (
                                    other_jobs.status = 'todo'
                                    AND (
                                        other_jobs.priority > jobs.priority
                                        OR (
                                        other_jobs.priority = jobs.priority
                                        AND other_jobs.id < jobs.id
                                        )
                                    )
                                )
                            )
                )
                AND jobs.status = 'todo'
                AND (target_queue_names IS NULL OR jobs.queue_name = ANY( target_queue_names ))
                AND (jobs.scheduled_at IS NULL OR jobs.scheduled_at <= now())
            ORDER BY jobs.priority DESC, jobs.id ASC LIMIT 1
            FOR UPDATE OF jobs SKIP LOCKED
    )
    UPDATE procrastinate_jobs
        SET status = 'doing', worker_id = p_worker_id
        FROM candidate
        WHERE procrastinate_jobs.id = candidate.id
        RETURNING procrastinate_jobs.* INTO found_jobs;

 RETURN found_jobs;
END;
$$;

CREATE FUNCTION public.procrastinate_finish_job_v1(job_id bigint, end_status public.procrastinate_job_status, delete_job boolean) RETURNS void
    LANGUAGE plpgsql
    AS $$
DECLARE
    _job_id bigint;
BEGIN
    IF end_status NOT IN ('succeeded', 'failed', 'aborted') THEN
        RAISE 'End status should be either "succeeded", "failed" or "aborted" (job id: %)', job_id;
    END IF;
    IF delete_job THEN
        DELETE FROM procrastinate_jobs
        WHERE id = job_id AND status IN ('todo', 'doing')
        RETURNING id INTO _job_id;
    ELSE
        UPDATE procrastinate_jobs
        SET status = end_status,
            abort_requested = false,
            attempts = CASE status
                WHEN 'doing' THEN attempts + 1 ELSE attempts
            END
        WHERE id = job_id AND status IN ('todo', 'doing')
        RETURNING id INTO _job_id;
    END IF;
    IF _job_id IS NULL THEN
        RAISE 'Job was not found or not in "doing" or "todo" status (job id: %)', job_id;
    END IF;
END;
$$;

CREATE FUNCTION public.procrastinate_notify_queue_abort_job_v1() RETURNS trigger
    LANGUAGE plpgsql
    AS $$
DECLARE
    payload TEXT;
BEGIN
    SELECT json_build_object('type', 'abort_job_requested', 'job_id', NEW.id)::text INTO payload;
	PERFORM pg_notify('procrastinate_queue_v1#' || NEW.queue_name, payload);
	PERFORM pg_notify('procrastinate_any_queue_v1', payload);
	RETURN NEW;
END;
$$;

CREATE FUNCTION public.procrastinate_notify_queue_job_inserted_v1() RETURNS trigger
    LANGUAGE plpgsql
    AS $$
DECLARE
    payload TEXT;
BEGIN
    SELECT json_build_object('type', 'job_inserted', 'job_id', NEW.id)::text INTO payload;
	PERFORM pg_notify('procrastinate_queue_v1#' || NEW.queue_name, payload);
	PERFORM pg_notify('procrastinate_any_queue_v1', payload);
	RETURN NEW;
END;
$$;

CREATE FUNCTION public.procrastinate_prune_stalled_workers_v1(seconds_since_heartbeat double precision) RETURNS TABLE(worker_id bigint)
    LANGUAGE plpgsql
    AS $$
BEGIN
    RETURN QUERY
    DELETE FROM procrastinate_workers
    WHERE last_heartbeat < NOW() - (seconds_since_heartbeat || 'SECOND')::INTERVAL
    RETURNING procrastinate_workers.id;
END;
$$;

CREATE FUNCTION public.procrastinate_register_worker_v1() RETURNS TABLE(worker_id bigint)
    LANGUAGE plpgsql
    AS $$
BEGIN
    RETURN QUERY
    INSERT INTO procrastinate_workers DEFAULT VALUES
    RETURNING procrastinate_workers.id;
END;
$$;

CREATE FUNCTION public.procrastinate_retry_job_v1(job_id bigint, retry_at timestamp with time zone, new_priority integer, new_queue_name character varying, new_lock character varying) RETURNS void
    LANGUAGE plpgsql
    AS $$
DECLARE
    _job_id bigint;
    _abort_requested boolean;
BEGIN
    SELECT abort_requested FROM procrastinate_jobs
    WHERE id = job_id AND status = 'doing'
    FOR UPDATE
    INTO _abort_requested;
    IF _abort_requested THEN
        UPDATE procrastinate_jobs
        SET status = 'failed'::procrastinate_job_status
        WHERE id = job_id AND status = 'doing'
        RETURNING id INTO _job_id;
    ELSE
        UPDATE procrastinate_jobs
        SET status = 'todo'::procrastinate_job_status,
            attempts = attempts + 1,
            scheduled_at = retry_at,
            priority = COALESCE(new_priority, priority),
            queue_name = COALESCE(new_queue_name, queue_name),
            lock = COALESCE(new_lock, lock)
        WHERE id = job_id AND status = 'doing'
        RETURNING id INTO _job_id;
    END IF;

    IF _job_id IS NULL THEN
        RAISE 'Job was not found or not in "doing" status (job id: %)', job_id;
    END IF;
END;
$$;

CREATE FUNCTION public.procrastinate_retry_job_v2(job_id bigint, retry_at timestamp with time zone, new_priority integer, new_queue_name character varying, new_lock character varying) RETURNS void
    LANGUAGE plpgsql
    AS $$
DECLARE
    _job_id bigint;
    _abort_requested boolean;
    _current_status procrastinate_job_status;
BEGIN
    SELECT status, abort_requested FROM procrastinate_jobs
    WHERE id = job_id AND status IN ('doing', 'failed')
    FOR UPDATE
    INTO _current_status, _abort_requested;
    IF _current_status = 'doing' AND _abort_requested THEN
        UPDATE procrastinate_jobs
        SET status = 'failed'::procrastinate_job_status
        WHERE id = job_id AND status = 'doing'
        RETURNING id INTO _job_id;
    ELSE
        UPDATE procrastinate_jobs
        SET status = 'todo'::procrastinate_job_status,
            attempts = attempts + 1,
            scheduled_at = retry_at,
            priority = COALESCE(new_priority, priority),
            queue_name = COALESCE(new_queue_name, queue_name),
            lock = COALESCE(new_lock, lock)
        WHERE id = job_id AND status IN ('doing', 'failed')
        RETURNING id INTO _job_id;
    END IF;

    IF _job_id IS NULL THEN
        RAISE 'Job was not found or has an invalid status to retry (job id: %)', job_id;
    END IF;

END;
$$;

CREATE FUNCTION public.procrastinate_trigger_abort_requested_events_procedure_v1() RETURNS trigger
    LANGUAGE plpgsql
    AS $$
BEGIN
    INSERT INTO procrastinate_events(job_id, type)
        VALUES (NEW.id, 'abort_requested'::procrastinate_job_event_type);
    RETURN NEW;
END;
$$;

CREATE FUNCTION public.procrastinate_trigger_function_scheduled_events_v1() RETURNS trigger
    LANGUAGE plpgsql
    AS $$
BEGIN
    INSERT INTO procrastinate_events(job_id, type, at)
        VALUES (NEW.id, 'scheduled'::procrastinate_job_event_type, NEW.scheduled_at);

	RETURN NEW;
END;
$$;

CREATE FUNCTION public.procrastinate_trigger_function_status_events_insert_v1() RETURNS trigger
    LANGUAGE plpgsql
    AS $$
BEGIN
    INSERT INTO procrastinate_events(job_id, type)
        VALUES (NEW.id, 'deferred'::procrastinate_job_event_type);
	RETURN NEW;
END;
$$;

CREATE FUNCTION public.procrastinate_trigger_function_status_events_update_v1() RETURNS trigger
    LANGUAGE plpgsql
    AS $$
BEGIN
    WITH t AS (
        SELECT CASE
            WHEN OLD.status = 'todo'::procrastinate_job_status
                AND NEW.status = 'doing'::procrastinate_job_status
                THEN 'started'::procrastinate_job_event_type
            WHEN OLD.status = 'doing'::procrastinate_job_status
                AND NEW.status = 'todo'::procrastinate_job_status
                THEN 'deferred_for_retry'::procrastinate_job_event_type
            WHEN OLD.status = 'doing'::procrastinate_job_status
                AND NEW.status = 'failed'::procrastinate_job_status
                THEN 'failed'::procrastinate_job_event_type
            WHEN OLD.status = 'doing'::procrastinate_job_status
                AND NEW.status = 'succeeded'::procrastinate_job_status
                THEN 'succeeded'::procrastinate_job_event_type
            WHEN OLD.status = 'todo'::procrastinate_job_status
                AND (
                    NEW.status = 'cancelled'::procrastinate_job_status
                    OR NEW.status = 'failed'::procrastinate_job_status
                    OR NEW.status = 'succeeded'::procrastinate_job_status
                )
                THEN 'cancelled'::procrastinate_job_event_type
            WHEN OLD.status = 'doing'::procrastinate_job_status
                AND NEW.status = 'aborted'::procrastinate_job_status
                THEN 'aborted'::procrastinate_job_event_type
            WHEN OLD.status = 'failed'::procrastinate_job_status
                AND NEW.status = 'todo'::procrastinate_job_status
                THEN 'retried'::procrastinate_job_event_type
            ELSE NULL
        END as event_type
    )
    INSERT INTO procrastinate_events(job_id, type)
        SELECT NEW.id, t.event_type
        FROM t
        WHERE t.event_type IS NOT NULL;
	RETURN NEW;
END;
$$;

CREATE FUNCTION public.procrastinate_unlink_periodic_defers_v1() RETURNS trigger
    LANGUAGE plpgsql
    AS $$
BEGIN
    UPDATE procrastinate_periodic_defers
    SET job_id = NULL
    WHERE job_id = OLD.id;
    RETURN OLD;
END;
$$;

CREATE FUNCTION public.procrastinate_unregister_worker_v1(worker_id bigint) RETURNS void
    LANGUAGE plpgsql
    AS $$
BEGIN
    DELETE FROM procrastinate_workers
    WHERE id = worker_id;
END;
$$;

CREATE FUNCTION public.procrastinate_update_heartbeat_v1(worker_id bigint) RETURNS void
    LANGUAGE plpgsql
    AS $$
BEGIN
    UPDATE procrastinate_workers
    SET last_heartbeat = NOW()
    WHERE id = worker_id;
END;
$$;

CREATE TABLE public.alembic_version (
    version_num character varying(32) NOT NULL
);

CREATE TABLE public.api_keys (
    id uuid NOT NULL,
    digest bytea NOT NULL,
    ending text NOT NULL,
    role public.key_role NOT NULL,
    name text NOT NULL,
    created_at timestamp with time zone DEFAULT now() NOT NULL,
    last_used_at timestamp with time zone,
    revoked_at timestamp with time zone,
    origins text[] DEFAULT '{}'::text[] NOT NULL,
    expires_at timestamp with time zone,
    shared boolean DEFAULT false NOT NULL,
    CONSTRAINT api_keys_check CHECK ((NOT (shared AND (role = 'widget'::public.key_role)))),
    CONSTRAINT api_keys_digest_check CHECK ((length(digest) = 32)),
    CONSTRAINT api_keys_ending_check CHECK ((length(ending) = 4)),
    CONSTRAINT api_keys_name_check CHECK (((length(name) >= 1) AND (length(name) <= 100))),
    CONSTRAINT api_keys_origins_check CHECK (((role = 'widget'::public.key_role) OR (origins = '{}'::text[])))
);

CREATE TABLE public.audit_trail (
    id bigint NOT NULL,
    at timestamp with time zone DEFAULT clock_timestamp() NOT NULL,
    key_id uuid,
    who text NOT NULL,
    action text NOT NULL,
    submission_id uuid,
    details jsonb DEFAULT '{}'::jsonb NOT NULL,
    CONSTRAINT audit_trail_action_check CHECK ((action <> ''::text)),
    CONSTRAINT audit_trail_details_check CHECK ((jsonb_typeof(details) = 'object'::text)),
    CONSTRAINT audit_trail_who_check CHECK ((who <> ''::text))
);

ALTER TABLE public.audit_trail ALTER COLUMN id ADD GENERATED ALWAYS AS IDENTITY (
    SEQUENCE NAME public.audit_trail_id_seq
    START WITH 1
    INCREMENT BY 1
    NO MINVALUE
    NO MAXVALUE
    CACHE 1
);

CREATE TABLE public.bench_instruments (
    id uuid NOT NULL,
    name text NOT NULL,
    serial text,
    kind text NOT NULL,
    resolution numeric NOT NULL,
    scale text NOT NULL,
    key_id uuid NOT NULL,
    added_by text NOT NULL,
    added_at timestamp with time zone DEFAULT now() NOT NULL,
    retired_at timestamp with time zone,
    retired_key uuid,
    retired_by text,
    retired_reason text,
    CONSTRAINT bench_instruments_added_by_check CHECK ((added_by <> ''::text)),
    CONSTRAINT bench_instruments_check CHECK (((scale = 'deg'::text) = (kind = ANY (ARRAY['degree_wheel'::text, 'protractor'::text])))),
    CONSTRAINT bench_instruments_check1 CHECK ((num_nonnulls(retired_at, retired_key, retired_by, retired_reason) = ANY (ARRAY[0, 4]))),
    CONSTRAINT bench_instruments_kind_check CHECK ((kind = ANY (ARRAY['digital_caliper'::text, 'dial_caliper'::text, 'vernier_caliper'::text, 'outside_micrometer'::text, 'dial_indicator'::text, 'degree_wheel'::text, 'protractor'::text, 'bench'::text]))),
    CONSTRAINT bench_instruments_name_check CHECK (((length(name) >= 1) AND (length(name) <= 100))),
    CONSTRAINT bench_instruments_resolution_check CHECK ((resolution > (0)::numeric)),
    CONSTRAINT bench_instruments_retired_by_check CHECK ((retired_by <> ''::text)),
    CONSTRAINT bench_instruments_retired_reason_check CHECK ((retired_reason <> ''::text)),
    CONSTRAINT bench_instruments_scale_check CHECK ((scale = ANY (ARRAY['in'::text, 'mm'::text, 'deg'::text]))),
    CONSTRAINT bench_instruments_serial_check CHECK (((length(serial) >= 1) AND (length(serial) <= 100)))
);

CREATE TABLE public.case_notes (
    id uuid NOT NULL,
    submission_id uuid NOT NULL,
    text text NOT NULL,
    written_key uuid NOT NULL,
    written_by text NOT NULL,
    written_at timestamp with time zone DEFAULT now() NOT NULL,
    CONSTRAINT case_notes_text_check CHECK ((text <> ''::text)),
    CONSTRAINT case_notes_written_by_check CHECK ((written_by <> ''::text))
);

CREATE TABLE public.catalogue_core (
    revision integer NOT NULL,
    code text NOT NULL,
    place integer NOT NULL,
    name text NOT NULL,
    unit public.length_unit NOT NULL,
    engine_families text[] NOT NULL,
    gear_teeth integer,
    overall_length_mm numeric(13,9),
    CONSTRAINT catalogue_core_code_check CHECK ((code <> ''::text)),
    CONSTRAINT catalogue_core_engine_families_check CHECK ((array_position(engine_families, NULL::text) IS NULL)),
    CONSTRAINT catalogue_core_gear_teeth_check CHECK ((gear_teeth > 0)),
    CONSTRAINT catalogue_core_name_check CHECK ((name <> ''::text)),
    CONSTRAINT catalogue_core_overall_length_mm_check CHECK ((overall_length_mm > (0)::numeric)),
    CONSTRAINT catalogue_core_place_check CHECK ((place >= 0))
);

CREATE TABLE public.catalogue_draft (
    id uuid NOT NULL,
    name text NOT NULL,
    made_key uuid NOT NULL,
    made_by text NOT NULL,
    made_at timestamp with time zone DEFAULT now() NOT NULL,
    cores integer,
    parts integer,
    findings jsonb NOT NULL,
    document bytea,
    corrected bytea NOT NULL,
    stated bytea,
    stated_by text,
    CONSTRAINT catalogue_draft_check CHECK (((document IS NULL) = (cores IS NULL))),
    CONSTRAINT catalogue_draft_check1 CHECK (((document IS NULL) = (parts IS NULL))),
    CONSTRAINT catalogue_draft_check2 CHECK (((stated IS NULL) = (stated_by IS NULL))),
    CONSTRAINT catalogue_draft_name_check CHECK ((name <> ''::text)),
    CONSTRAINT catalogue_draft_stated_by_check CHECK ((stated_by <> ''::text))
);
ALTER TABLE ONLY public.catalogue_draft ALTER COLUMN document SET STORAGE EXTERNAL;
ALTER TABLE ONLY public.catalogue_draft ALTER COLUMN corrected SET STORAGE EXTERNAL;
ALTER TABLE ONLY public.catalogue_draft ALTER COLUMN stated SET STORAGE EXTERNAL;

CREATE TABLE public.catalogue_duration (
    revision integer NOT NULL,
    part_number text NOT NULL,
    lobe text NOT NULL,
    checking_lift_mm numeric(13,9) NOT NULL,
    crank_deg numeric(6,3) NOT NULL,
    CONSTRAINT catalogue_duration_checking_lift_mm_check CHECK ((checking_lift_mm > (0)::numeric)),
    CONSTRAINT catalogue_duration_crank_deg_check CHECK (((crank_deg > (0)::numeric) AND (crank_deg < (720)::numeric)))
);

CREATE TABLE public.catalogue_journal (
    revision integer NOT NULL,
    core text NOT NULL,
    "position" text NOT NULL,
    place integer NOT NULL,
    diameter_mm numeric(13,9) NOT NULL,
    minus_mm numeric(13,9),
    plus_mm numeric(13,9),
    CONSTRAINT catalogue_journal_check CHECK (((minus_mm >= (0)::numeric) AND (minus_mm < diameter_mm))),
    CONSTRAINT catalogue_journal_check1 CHECK (((minus_mm IS NULL) = (plus_mm IS NULL))),
    CONSTRAINT catalogue_journal_diameter_mm_check CHECK ((diameter_mm > (0)::numeric)),
    CONSTRAINT catalogue_journal_place_check CHECK ((place >= 0)),
    CONSTRAINT catalogue_journal_plus_mm_check CHECK ((plus_mm >= (0)::numeric)),
    CONSTRAINT catalogue_journal_position_check CHECK (("position" = ANY (ARRAY['front'::text, 'middle'::text, 'rear'::text])))
);

CREATE TABLE public.catalogue_lift_table (
    revision integer NOT NULL,
    part_number text NOT NULL,
    lobe text NOT NULL,
    follower text NOT NULL,
    roller_radius_mm numeric(13,9),
    cam_deg numeric(7,4)[] NOT NULL,
    lift_mm numeric(13,9)[] NOT NULL,
    CONSTRAINT catalogue_lift_table_cam_deg_check CHECK ((array_position(cam_deg, NULL::numeric) IS NULL)),
    CONSTRAINT catalogue_lift_table_cam_deg_check1 CHECK ((array_position(cam_deg, (0)::numeric) IS NOT NULL)),
    CONSTRAINT catalogue_lift_table_check CHECK (((follower = 'roller'::text) = (roller_radius_mm IS NOT NULL))),
    CONSTRAINT catalogue_lift_table_check1 CHECK (((cardinality(cam_deg) >= 2) AND (cardinality(cam_deg) = cardinality(lift_mm)))),
    CONSTRAINT catalogue_lift_table_follower_check CHECK ((follower = ANY (ARRAY['flat'::text, 'roller'::text, 'point'::text]))),
    CONSTRAINT catalogue_lift_table_lift_mm_check CHECK ((array_position(lift_mm, NULL::numeric) IS NULL)),
    CONSTRAINT catalogue_lift_table_roller_radius_mm_check CHECK ((roller_radius_mm > (0)::numeric))
);

CREATE TABLE public.catalogue_lobe (
    revision integer NOT NULL,
    part_number text NOT NULL,
    lobe text NOT NULL,
    lift_mm numeric(13,9) NOT NULL,
    base_circle_mm numeric(13,9) NOT NULL,
    height_mm numeric(13,9) GENERATED ALWAYS AS ((base_circle_mm + lift_mm)) STORED NOT NULL,
    lash_mm numeric(13,9),
    rocker_ratio numeric(8,5),
    lift_minus_mm numeric(13,9),
    lift_plus_mm numeric(13,9),
    base_circle_minus_mm numeric(13,9),
    base_circle_plus_mm numeric(13,9),
    CONSTRAINT catalogue_lobe_base_circle_mm_check CHECK ((base_circle_mm > (0)::numeric)),
    CONSTRAINT catalogue_lobe_base_circle_plus_mm_check CHECK ((base_circle_plus_mm >= (0)::numeric)),
    CONSTRAINT catalogue_lobe_check CHECK (((lift_minus_mm >= (0)::numeric) AND (lift_minus_mm < lift_mm))),
    CONSTRAINT catalogue_lobe_check1 CHECK (((base_circle_minus_mm >= (0)::numeric) AND (base_circle_minus_mm < base_circle_mm))),
    CONSTRAINT catalogue_lobe_check2 CHECK ((lift_mm < height_mm)),
    CONSTRAINT catalogue_lobe_check3 CHECK ((lift_mm < base_circle_mm)),
    CONSTRAINT catalogue_lobe_check4 CHECK (((lift_minus_mm IS NULL) = (lift_plus_mm IS NULL))),
    CONSTRAINT catalogue_lobe_check5 CHECK (((base_circle_minus_mm IS NULL) = (base_circle_plus_mm IS NULL))),
    CONSTRAINT catalogue_lobe_lash_mm_check CHECK ((lash_mm >= (0)::numeric)),
    CONSTRAINT catalogue_lobe_lift_mm_check CHECK ((lift_mm > (0)::numeric)),
    CONSTRAINT catalogue_lobe_lift_plus_mm_check CHECK ((lift_plus_mm >= (0)::numeric)),
    CONSTRAINT catalogue_lobe_lobe_check CHECK ((lobe = ANY (ARRAY['intake'::text, 'exhaust'::text]))),
    CONSTRAINT catalogue_lobe_rocker_ratio_check CHECK ((rocker_ratio > (0)::numeric))
);

CREATE TABLE public.catalogue_part (
    revision integer NOT NULL,
    part_number text NOT NULL,
    place integer NOT NULL,
    core text NOT NULL,
    unit public.length_unit NOT NULL,
    title text NOT NULL,
    status text NOT NULL,
    superseded_by text,
    units_sold integer,
    lobe_separation_cam_deg numeric(6,3),
    CONSTRAINT catalogue_part_check CHECK ((superseded_by <> part_number)),
    CONSTRAINT catalogue_part_check1 CHECK (((superseded_by IS NULL) OR (status = 'superseded'::text))),
    CONSTRAINT catalogue_part_lobe_separation_cam_deg_check CHECK (((lobe_separation_cam_deg > (0)::numeric) AND (lobe_separation_cam_deg < (360)::numeric))),
    CONSTRAINT catalogue_part_part_number_check CHECK ((part_number <> ''::text)),
    CONSTRAINT catalogue_part_place_check CHECK ((place >= 0)),
    CONSTRAINT catalogue_part_status_check CHECK ((status = ANY (ARRAY['current'::text, 'superseded'::text, 'discontinued'::text]))),
    CONSTRAINT catalogue_part_units_sold_check CHECK ((units_sold >= 0))
);

CREATE TABLE public.catalogue_revision (
    number integer NOT NULL,
    state text NOT NULL,
    made_by text NOT NULL,
    reason text NOT NULL,
    made_at timestamp with time zone DEFAULT now() NOT NULL,
    cores integer NOT NULL,
    parts integer NOT NULL,
    CONSTRAINT catalogue_revision_cores_check CHECK ((cores > 0)),
    CONSTRAINT catalogue_revision_made_by_check CHECK ((made_by <> ''::text)),
    CONSTRAINT catalogue_revision_number_check CHECK ((number > 0)),
    CONSTRAINT catalogue_revision_parts_check CHECK ((parts > 0)),
    CONSTRAINT catalogue_revision_state_check CHECK ((state = ANY (ARRAY['loading'::text, 'active'::text, 'retired'::text])))
);

CREATE TABLE public.changed_answers (
    catalogue_revision integer NOT NULL,
    submission_id uuid NOT NULL,
    round_before integer NOT NULL,
    round_after integer NOT NULL,
    told_otherwise boolean NOT NULL,
    review_id uuid,
    changed_at timestamp with time zone DEFAULT now() NOT NULL,
    CONSTRAINT changed_answers_check CHECK ((round_after > round_before))
);

CREATE TABLE public.confirmations (
    id uuid NOT NULL,
    submission_id uuid NOT NULL,
    source text NOT NULL,
    outcome text NOT NULL,
    part_number text,
    note text,
    confirmed_key uuid NOT NULL,
    confirmed_by text NOT NULL,
    confirmed_at timestamp with time zone DEFAULT now() NOT NULL,
    CONSTRAINT confirmations_check CHECK (((outcome = 'part'::text) = (part_number IS NOT NULL))),
    CONSTRAINT confirmations_confirmed_by_check CHECK ((confirmed_by <> ''::text)),
    CONSTRAINT confirmations_outcome_check CHECK ((outcome = ANY (ARRAY['part'::text, 'not_in_catalogue'::text]))),
    CONSTRAINT confirmations_part_number_check CHECK ((part_number <> ''::text)),
    CONSTRAINT confirmations_source_check CHECK ((source = ANY (ARRAY['box_found'::text, 'bench_measured'::text, 'customer_returned'::text, 'other'::text])))
);

CREATE TABLE public.decisions (
    id uuid NOT NULL,
    submission_id uuid NOT NULL,
    review_id uuid,
    second_look boolean DEFAULT false NOT NULL,
    round integer NOT NULL,
    outcome text NOT NULL,
    part_number text,
    catalogue_revision integer NOT NULL,
    confidence text NOT NULL,
    reason text NOT NULL,
    decided_key uuid NOT NULL,
    decided_by text NOT NULL,
    decided_at timestamp with time zone DEFAULT now() NOT NULL,
    CONSTRAINT decisions_check CHECK (((outcome = 'part'::text) = (part_number IS NOT NULL))),
    CONSTRAINT decisions_confidence_check CHECK ((confidence = ANY (ARRAY['sure'::text, 'likely'::text, 'guess'::text]))),
    CONSTRAINT decisions_decided_by_check CHECK ((decided_by <> ''::text)),
    CONSTRAINT decisions_outcome_check CHECK ((outcome = ANY (ARRAY['part'::text, 'not_in_catalogue'::text, 'cannot_tell'::text]))),
    CONSTRAINT decisions_part_number_check CHECK ((part_number <> ''::text)),
    CONSTRAINT decisions_round_check CHECK ((round >= 1))
);

CREATE TABLE public.engine_tables (
    catalogue_revision integer NOT NULL,
    engine_version text NOT NULL,
    table_form integer NOT NULL,
    name text NOT NULL,
    form text NOT NULL,
    shape bigint[] NOT NULL,
    value bytea NOT NULL,
    CONSTRAINT engine_tables_engine_version_check CHECK ((engine_version <> ''::text)),
    CONSTRAINT engine_tables_name_check CHECK ((name <> ''::text))
);
ALTER TABLE ONLY public.engine_tables ALTER COLUMN value SET STORAGE EXTERNAL;

CREATE TABLE public.engine_versions (
    number integer NOT NULL,
    name text GENERATED ALWAYS AS (('c'::text || (number)::text)) STORED NOT NULL,
    code_version text NOT NULL,
    constants jsonb NOT NULL,
    factors jsonb NOT NULL,
    catalogue_revision integer NOT NULL,
    cases uuid[] NOT NULL,
    fitted integer NOT NULL,
    held_out integer NOT NULL,
    score_before double precision NOT NULL,
    score_after double precision NOT NULL,
    made_by text NOT NULL,
    made_at timestamp with time zone DEFAULT now() NOT NULL,
    active boolean DEFAULT false NOT NULL,
    demand jsonb DEFAULT '{"callers": {}, "core_spread": 0, "part_spread": 0}'::jsonb NOT NULL,
    CONSTRAINT engine_versions_cases_check CHECK ((array_position(cases, NULL::uuid) IS NULL)),
    CONSTRAINT engine_versions_code_version_check CHECK ((code_version <> ''::text)),
    CONSTRAINT engine_versions_constants_check CHECK ((jsonb_typeof(constants) = 'object'::text)),
    CONSTRAINT engine_versions_demand_check CHECK ((jsonb_typeof(demand) = 'object'::text)),
    CONSTRAINT engine_versions_factors_check CHECK ((jsonb_typeof(factors) = 'array'::text)),
    CONSTRAINT engine_versions_fitted_check CHECK ((fitted >= 1)),
    CONSTRAINT engine_versions_held_out_check CHECK ((held_out >= 1)),
    CONSTRAINT engine_versions_made_by_check CHECK ((made_by <> ''::text)),
    CONSTRAINT engine_versions_number_check CHECK ((number >= 1))
);

CREATE TABLE public.idempotent_replies (
    key_id uuid NOT NULL,
    client_key text NOT NULL,
    request_hash bytea NOT NULL,
    status smallint NOT NULL,
    headers jsonb NOT NULL,
    body bytea NOT NULL,
    kept_at timestamp with time zone DEFAULT now() NOT NULL,
    CONSTRAINT idempotent_replies_client_key_check CHECK (((length(client_key) >= 1) AND (length(client_key) <= 200))),
    CONSTRAINT idempotent_replies_request_hash_check CHECK ((length(request_hash) = 32)),
    CONSTRAINT idempotent_replies_status_check CHECK (((status >= 200) AND (status <= 299)))
);

CREATE TABLE public.instrument_calibrations (
    id uuid NOT NULL,
    instrument_id uuid NOT NULL,
    calibrated_on date NOT NULL,
    due_on date NOT NULL,
    calibrated_by text NOT NULL,
    certificate text,
    key_id uuid NOT NULL,
    recorded_by text NOT NULL,
    recorded_at timestamp with time zone DEFAULT now() NOT NULL,
    CONSTRAINT instrument_calibrations_calibrated_by_check CHECK ((calibrated_by <> ''::text)),
    CONSTRAINT instrument_calibrations_certificate_check CHECK ((certificate <> ''::text)),
    CONSTRAINT instrument_calibrations_check CHECK ((due_on > calibrated_on)),
    CONSTRAINT instrument_calibrations_recorded_by_check CHECK ((recorded_by <> ''::text))
);

CREATE TABLE public.letters (
    id uuid NOT NULL,
    submission_id uuid NOT NULL,
    mail_in_id uuid,
    round integer NOT NULL,
    subject text NOT NULL,
    addressee text,
    html text NOT NULL,
    plain text NOT NULL,
    pdf bytea NOT NULL,
    issued_key uuid NOT NULL,
    issued_by text NOT NULL,
    issued_at timestamp with time zone DEFAULT now() NOT NULL,
    CONSTRAINT letters_issued_by_check CHECK ((issued_by <> ''::text)),
    CONSTRAINT letters_round_check CHECK ((round >= 1)),
    CONSTRAINT letters_subject_check CHECK ((subject <> ''::text))
);

CREATE TABLE public.lift_tables (
    id uuid NOT NULL,
    submission_id uuid,
    mail_in_id uuid,
    key_id uuid NOT NULL,
    kept_by text NOT NULL,
    kept_at timestamp with time zone DEFAULT now() NOT NULL,
    sent jsonb NOT NULL,
    stored_form smallint NOT NULL,
    withdrawn_at timestamp with time zone,
    withdrawn_key uuid,
    withdrawn_by text,
    withdrawn_reason text,
    bench jsonb,
    CONSTRAINT lift_tables_bench_check CHECK ((jsonb_typeof(bench) = 'object'::text)),
    CONSTRAINT lift_tables_check CHECK ((num_nonnulls(submission_id, mail_in_id) >= 1)),
    CONSTRAINT lift_tables_check1 CHECK ((num_nonnulls(withdrawn_at, withdrawn_key, withdrawn_by, withdrawn_reason) = ANY (ARRAY[0, 4]))),
    CONSTRAINT lift_tables_kept_by_check CHECK ((kept_by <> ''::text)),
    CONSTRAINT lift_tables_sent_check CHECK ((jsonb_typeof(sent) = 'object'::text)),
    CONSTRAINT lift_tables_stored_form_check CHECK ((stored_form >= 1)),
    CONSTRAINT lift_tables_withdrawn_by_check CHECK ((withdrawn_by <> ''::text)),
    CONSTRAINT lift_tables_withdrawn_reason_check CHECK ((withdrawn_reason <> ''::text))
);

CREATE TABLE public.look_alike_maps (
    catalogue_revision integer NOT NULL,
    engine_version text NOT NULL,
    pairs jsonb NOT NULL,
    made_at timestamp with time zone DEFAULT now() NOT NULL,
    CONSTRAINT look_alike_maps_engine_version_check CHECK ((engine_version <> ''::text)),
    CONSTRAINT look_alike_maps_pairs_check CHECK ((jsonb_typeof(pairs) = 'array'::text))
);

CREATE TABLE public.mail_in_events (
    mail_in_id uuid NOT NULL,
    number integer NOT NULL,
    kind public.mail_in_event NOT NULL,
    at timestamp with time zone NOT NULL,
    recorded_at timestamp with time zone DEFAULT now() NOT NULL,
    key_id uuid NOT NULL,
    who text NOT NULL,
    place text NOT NULL,
    condition text[] DEFAULT '{}'::text[] NOT NULL,
    note text,
    details jsonb DEFAULT '{}'::jsonb NOT NULL,
    CONSTRAINT mail_in_events_check CHECK ((at <= (recorded_at + '00:05:00'::interval))),
    CONSTRAINT mail_in_events_details_check CHECK ((jsonb_typeof(details) = 'object'::text)),
    CONSTRAINT mail_in_events_number_check CHECK ((number >= 1)),
    CONSTRAINT mail_in_events_place_check CHECK ((place <> ''::text)),
    CONSTRAINT mail_in_events_who_check CHECK ((who <> ''::text))
);

CREATE TABLE public.mail_ins (
    id uuid NOT NULL,
    reference text NOT NULL,
    key_id uuid NOT NULL,
    submission_id uuid,
    row_revision integer DEFAULT 1 NOT NULL,
    state public.mail_in_state DEFAULT 'announced'::public.mail_in_state NOT NULL,
    place text,
    unit public.length_unit NOT NULL,
    contact jsonb,
    send_back_to text[] DEFAULT '{}'::text[] NOT NULL,
    note text,
    consented boolean DEFAULT false NOT NULL,
    state_since timestamp with time zone DEFAULT now() NOT NULL,
    due_at timestamp with time zone,
    announced_at timestamp with time zone DEFAULT now() NOT NULL,
    CONSTRAINT mail_ins_check CHECK (((place IS NOT NULL) = (state = ANY (ARRAY['received'::public.mail_in_state, 'measured'::public.mail_in_state, 'reported'::public.mail_in_state])))),
    CONSTRAINT mail_ins_check1 CHECK (((due_at IS NULL) = (state = ANY (ARRAY['returned'::public.mail_in_state, 'scrapped'::public.mail_in_state, 'withdrawn'::public.mail_in_state])))),
    CONSTRAINT mail_ins_check2 CHECK (((state <> 'scrapped'::public.mail_in_state) OR consented)),
    CONSTRAINT mail_ins_place_check CHECK (((length(place) >= 1) AND (length(place) <= 100))),
    CONSTRAINT mail_ins_reference_check CHECK ((reference ~ '^[1-9][0-9]{7}$'::text)),
    CONSTRAINT mail_ins_row_revision_check CHECK ((row_revision >= 1)),
    CONSTRAINT mail_ins_send_back_to_check CHECK ((array_position(send_back_to, NULL::text) IS NULL))
);

CREATE TABLE public.outbox_messages (
    id uuid NOT NULL,
    channel public.outbox_channel NOT NULL,
    topic text NOT NULL,
    submission_id uuid,
    letter_id uuid,
    endpoint_id uuid,
    recipient text,
    body text,
    state public.outbox_state DEFAULT 'waiting'::public.outbox_state NOT NULL,
    attempts integer DEFAULT 0 NOT NULL,
    due_at timestamp with time zone DEFAULT now() NOT NULL,
    held_until timestamp with time zone,
    last_error text,
    made_at timestamp with time zone DEFAULT now() NOT NULL,
    settled_at timestamp with time zone,
    CONSTRAINT outbox_messages_attempts_check CHECK ((attempts >= 0)),
    CONSTRAINT outbox_messages_body_check CHECK ((body <> ''::text)),
    CONSTRAINT outbox_messages_check CHECK (
CASE channel
    WHEN 'email'::public.outbox_channel THEN ((num_nonnulls(letter_id, recipient) = 2) AND (num_nonnulls(endpoint_id, body) = 0))
    ELSE ((num_nonnulls(endpoint_id, body) = 2) AND (recipient IS NULL))
END),
    CONSTRAINT outbox_messages_check1 CHECK (((state = 'waiting'::public.outbox_state) = (settled_at IS NULL))),
    CONSTRAINT outbox_messages_check2 CHECK (((held_until IS NULL) OR (state = 'waiting'::public.outbox_state))),
    CONSTRAINT outbox_messages_recipient_check CHECK ((recipient <> ''::text)),
    CONSTRAINT outbox_messages_topic_check CHECK ((topic <> ''::text))
);

CREATE TABLE public.photos (
    id uuid NOT NULL,
    mail_in_id uuid,
    submission_id uuid,
    width integer NOT NULL,
    height integer NOT NULL,
    image bytea NOT NULL,
    key_id uuid NOT NULL,
    added_by text NOT NULL,
    added_at timestamp with time zone DEFAULT now() NOT NULL,
    CONSTRAINT photos_added_by_check CHECK ((added_by <> ''::text)),
    CONSTRAINT photos_check CHECK ((num_nonnulls(mail_in_id, submission_id) = 1)),
    CONSTRAINT photos_height_check CHECK ((height > 0)),
    CONSTRAINT photos_image_check CHECK ((length(image) > 0)),
    CONSTRAINT photos_width_check CHECK ((width > 0))
);

CREATE TABLE public.procrastinate_events (
    id bigint NOT NULL,
    job_id bigint NOT NULL,
    type public.procrastinate_job_event_type,
    at timestamp with time zone DEFAULT now()
);

CREATE SEQUENCE public.procrastinate_events_id_seq
    START WITH 1
    INCREMENT BY 1
    NO MINVALUE
    NO MAXVALUE
    CACHE 1;

ALTER SEQUENCE public.procrastinate_events_id_seq OWNED BY public.procrastinate_events.id;

CREATE SEQUENCE public.procrastinate_jobs_id_seq
    START WITH 1
    INCREMENT BY 1
    NO MINVALUE
    NO MAXVALUE
    CACHE 1;

ALTER SEQUENCE public.procrastinate_jobs_id_seq OWNED BY public.procrastinate_jobs.id;

CREATE TABLE public.procrastinate_periodic_defers (
    id bigint NOT NULL,
    task_name character varying(128) NOT NULL,
    defer_timestamp bigint,
    job_id bigint,
    periodic_id character varying(128) DEFAULT ''::character varying NOT NULL
);

CREATE SEQUENCE public.procrastinate_periodic_defers_id_seq
    START WITH 1
    INCREMENT BY 1
    NO MINVALUE
    NO MAXVALUE
    CACHE 1;

ALTER SEQUENCE public.procrastinate_periodic_defers_id_seq OWNED BY public.procrastinate_periodic_defers.id;

CREATE TABLE public.procrastinate_workers (
    id bigint NOT NULL,
    last_heartbeat timestamp with time zone DEFAULT now() NOT NULL
);

ALTER TABLE public.procrastinate_workers ALTER COLUMN id ADD GENERATED ALWAYS AS IDENTITY (
    SEQUENCE NAME public.procrastinate_workers_id_seq
    START WITH 1
    INCREMENT BY 1
    NO MINVALUE
    NO MAXVALUE
    CACHE 1
);

CREATE TABLE public.reviews (
    id uuid NOT NULL,
    submission_id uuid NOT NULL,
    state public.review_state DEFAULT 'waiting'::public.review_state NOT NULL,
    reason public.review_reason NOT NULL,
    opened_at timestamp with time zone DEFAULT now() NOT NULL,
    row_revision integer DEFAULT 1 NOT NULL,
    second_look boolean DEFAULT false NOT NULL,
    priority smallint DEFAULT 1 NOT NULL,
    skill text,
    due_at timestamp with time zone NOT NULL,
    assigned_to text,
    not_for text,
    settled_at timestamp with time zone,
    claimed_key uuid,
    claimed_by text,
    claimed_at timestamp with time zone,
    lease_seconds integer,
    lease_until timestamp with time zone,
    CONSTRAINT reviews_assigned_to_check CHECK (((length(assigned_to) >= 1) AND (length(assigned_to) <= 100))),
    CONSTRAINT reviews_check CHECK ((num_nonnulls(claimed_key, claimed_by, claimed_at, lease_seconds, lease_until) =
CASE state
    WHEN 'claimed'::public.review_state THEN 5
    ELSE 0
END)),
    CONSTRAINT reviews_check1 CHECK (((settled_at IS NULL) = (state = ANY (ARRAY['waiting'::public.review_state, 'claimed'::public.review_state])))),
    CONSTRAINT reviews_claimed_by_check CHECK ((claimed_by <> ''::text)),
    CONSTRAINT reviews_lease_seconds_check CHECK ((lease_seconds > 0)),
    CONSTRAINT reviews_priority_check CHECK (((priority >= 0) AND (priority <= 2))),
    CONSTRAINT reviews_row_revision_check CHECK ((row_revision >= 1)),
    CONSTRAINT reviews_skill_check CHECK ((skill <> ''::text))
);

CREATE TABLE public.submissions (
    id uuid NOT NULL,
    key_id uuid NOT NULL,
    row_revision integer DEFAULT 1 NOT NULL,
    source text NOT NULL,
    state public.answer_state NOT NULL,
    ask_person boolean NOT NULL,
    head jsonb NOT NULL,
    opened_at timestamp with time zone DEFAULT now() NOT NULL,
    changed_at timestamp with time zone DEFAULT now() NOT NULL,
    reference text NOT NULL,
    closed_at timestamp with time zone,
    closed_why text,
    merged_into uuid,
    order_reference text,
    reminded_at timestamp with time zone,
    erased_at timestamp with time zone,
    contact_name tsvector GENERATED ALWAYS AS (to_tsvector('simple'::regconfig, COALESCE((head #>> '{contact,name}'::text[]), ''::text))) STORED,
    contact_email text GENERATED ALWAYS AS (lower((head #>> '{contact,email}'::text[]))) STORED,
    contact_phone text GENERATED ALWAYS AS (regexp_replace((head #>> '{contact,phone}'::text[]), '[^0-9]'::text, ''::text, 'g'::text)) STORED,
    told_round integer,
    CONSTRAINT submissions_check CHECK ((merged_into <> id)),
    CONSTRAINT submissions_check1 CHECK (((closed_at IS NULL) = (closed_why IS NULL))),
    CONSTRAINT submissions_closed_why_check CHECK ((closed_why = ANY (ARRAY['answered'::text, 'ordered'::text, 'merged'::text, 'no_reply'::text, 'withdrawn'::text]))),
    CONSTRAINT submissions_order_reference_check CHECK (((length(order_reference) >= 1) AND (length(order_reference) <= 100))),
    CONSTRAINT submissions_reference_check CHECK ((reference ~ '^[1-9][0-9]{7}$'::text)),
    CONSTRAINT submissions_row_revision_check CHECK ((row_revision >= 1)),
    CONSTRAINT submissions_source_check CHECK ((source = ANY (ARRAY['phone'::text, 'counter'::text, 'web'::text, 'mail_in'::text]))),
    CONSTRAINT submissions_told_round_check CHECK ((told_round >= 1))
);

CREATE VIEW public.queue AS
 SELECT r.id,
    r.submission_id,
    s.reference,
    s.source,
    r.row_revision,
    r.reason,
    r.second_look,
    r.priority,
    r.skill,
    r.opened_at,
    r.due_at,
    r.assigned_to,
    r.not_for,
    r.settled_at,
        CASE
            WHEN lapsed.lapsed THEN 'waiting'::public.review_state
            ELSE r.state
        END AS state,
        CASE
            WHEN (NOT lapsed.lapsed) THEN r.claimed_key
            ELSE NULL::uuid
        END AS claimed_key,
        CASE
            WHEN (NOT lapsed.lapsed) THEN r.claimed_by
            ELSE NULL::text
        END AS claimed_by,
        CASE
            WHEN (NOT lapsed.lapsed) THEN r.claimed_at
            ELSE NULL::timestamp with time zone
        END AS claimed_at,
        CASE
            WHEN (NOT lapsed.lapsed) THEN r.lease_seconds
            ELSE NULL::integer
        END AS lease_seconds,
        CASE
            WHEN (NOT lapsed.lapsed) THEN r.lease_until
            ELSE NULL::timestamp with time zone
        END AS lease_until,
        CASE
            WHEN lapsed.lapsed THEN r.claimed_key
            ELSE NULL::uuid
        END AS lapsed_key
   FROM ((public.reviews r
     JOIN public.submissions s ON ((s.id = r.submission_id)))
     CROSS JOIN LATERAL ( SELECT ((r.state = 'claimed'::public.review_state) AND (r.lease_until <= clock_timestamp())) AS lapsed) lapsed);

CREATE TABLE public.reidentifications (
    catalogue_revision integer NOT NULL,
    made_at timestamp with time zone DEFAULT now() NOT NULL,
    begun_at timestamp with time zone,
    recent_since timestamp with time zone,
    reached uuid,
    done integer DEFAULT 0 NOT NULL,
    finished_at timestamp with time zone,
    overtaken boolean DEFAULT false NOT NULL,
    CONSTRAINT reidentifications_check CHECK (((begun_at IS NULL) = (recent_since IS NULL))),
    CONSTRAINT reidentifications_check1 CHECK (((done = 0) OR (reached IS NOT NULL))),
    CONSTRAINT reidentifications_check2 CHECK (((NOT overtaken) OR (finished_at IS NOT NULL))),
    CONSTRAINT reidentifications_done_check CHECK ((done >= 0))
);

CREATE TABLE public.return_links (
    digest bytea NOT NULL,
    submission_id uuid NOT NULL,
    made_at timestamp with time zone DEFAULT now() NOT NULL,
    lapses_at timestamp with time zone NOT NULL,
    CONSTRAINT return_links_digest_check CHECK ((length(digest) = 32))
);

CREATE TABLE public.submission_rounds (
    submission_id uuid NOT NULL,
    number integer NOT NULL,
    readings jsonb NOT NULL,
    state public.answer_state NOT NULL,
    answer jsonb NOT NULL,
    stored_form smallint NOT NULL,
    engine_version text NOT NULL,
    catalogue_revision bigint NOT NULL,
    answered_at timestamp with time zone DEFAULT now() NOT NULL,
    CONSTRAINT submission_rounds_catalogue_revision_check CHECK ((catalogue_revision >= 1)),
    CONSTRAINT submission_rounds_engine_version_check CHECK ((engine_version <> ''::text)),
    CONSTRAINT submission_rounds_number_check CHECK ((number >= 1)),
    CONSTRAINT submission_rounds_readings_check CHECK ((jsonb_typeof(readings) = 'array'::text)),
    CONSTRAINT submission_rounds_stored_form_check CHECK ((stored_form >= 1))
);

CREATE TABLE public.webhook_endpoints (
    id uuid NOT NULL,
    url text NOT NULL,
    secret text NOT NULL,
    old_secret text,
    old_secret_until timestamp with time zone,
    topics text[] DEFAULT '{}'::text[] NOT NULL,
    key_id uuid,
    note text DEFAULT ''::text NOT NULL,
    made_at timestamp with time zone DEFAULT now() NOT NULL,
    disabled_at timestamp with time zone,
    disabled_why text,
    CONSTRAINT webhook_endpoints_check CHECK (((old_secret IS NULL) = (old_secret_until IS NULL))),
    CONSTRAINT webhook_endpoints_check1 CHECK (((disabled_at IS NULL) = (disabled_why IS NULL))),
    CONSTRAINT webhook_endpoints_old_secret_check CHECK ((old_secret ~~ 'whsec\_%'::text)),
    CONSTRAINT webhook_endpoints_secret_check CHECK ((secret ~~ 'whsec\_%'::text)),
    CONSTRAINT webhook_endpoints_topics_check CHECK ((array_position(topics, NULL::text) IS NULL)),
    CONSTRAINT webhook_endpoints_url_check CHECK (((length(url) >= 1) AND (length(url) <= 500)))
);

ALTER TABLE ONLY public.procrastinate_events ALTER COLUMN id SET DEFAULT nextval('public.procrastinate_events_id_seq'::regclass);

ALTER TABLE ONLY public.procrastinate_jobs ALTER COLUMN id SET DEFAULT nextval('public.procrastinate_jobs_id_seq'::regclass);

ALTER TABLE ONLY public.procrastinate_periodic_defers ALTER COLUMN id SET DEFAULT nextval('public.procrastinate_periodic_defers_id_seq'::regclass);

ALTER TABLE ONLY public.alembic_version
    ADD CONSTRAINT alembic_version_pkc PRIMARY KEY (version_num);

ALTER TABLE ONLY public.api_keys
    ADD CONSTRAINT api_keys_digest_key UNIQUE (digest);

ALTER TABLE ONLY public.api_keys
    ADD CONSTRAINT api_keys_pkey PRIMARY KEY (id);

ALTER TABLE ONLY public.audit_trail
    ADD CONSTRAINT audit_trail_pkey PRIMARY KEY (id);

ALTER TABLE ONLY public.bench_instruments
    ADD CONSTRAINT bench_instruments_pkey PRIMARY KEY (id);

ALTER TABLE ONLY public.case_notes
    ADD CONSTRAINT case_notes_pkey PRIMARY KEY (id);

ALTER TABLE ONLY public.catalogue_core
    ADD CONSTRAINT catalogue_core_pkey PRIMARY KEY (revision, code);

ALTER TABLE ONLY public.catalogue_core
    ADD CONSTRAINT catalogue_core_revision_place_key UNIQUE (revision, place);

ALTER TABLE ONLY public.catalogue_draft
    ADD CONSTRAINT catalogue_draft_pkey PRIMARY KEY (id);

ALTER TABLE ONLY public.catalogue_duration
    ADD CONSTRAINT catalogue_duration_pkey PRIMARY KEY (revision, part_number, lobe, checking_lift_mm);

ALTER TABLE ONLY public.catalogue_journal
    ADD CONSTRAINT catalogue_journal_pkey PRIMARY KEY (revision, core, "position");

ALTER TABLE ONLY public.catalogue_lift_table
    ADD CONSTRAINT catalogue_lift_table_pkey PRIMARY KEY (revision, part_number, lobe);

ALTER TABLE ONLY public.catalogue_lobe
    ADD CONSTRAINT catalogue_lobe_pkey PRIMARY KEY (revision, part_number, lobe);

ALTER TABLE ONLY public.catalogue_part
    ADD CONSTRAINT catalogue_part_pkey PRIMARY KEY (revision, part_number);

ALTER TABLE ONLY public.catalogue_part
    ADD CONSTRAINT catalogue_part_revision_place_key UNIQUE (revision, place);

ALTER TABLE ONLY public.catalogue_revision
    ADD CONSTRAINT catalogue_revision_pkey PRIMARY KEY (number);

ALTER TABLE ONLY public.changed_answers
    ADD CONSTRAINT changed_answers_pkey PRIMARY KEY (catalogue_revision, submission_id);

ALTER TABLE ONLY public.confirmations
    ADD CONSTRAINT confirmations_pkey PRIMARY KEY (id);

ALTER TABLE ONLY public.decisions
    ADD CONSTRAINT decisions_pkey PRIMARY KEY (id);

ALTER TABLE ONLY public.decisions
    ADD CONSTRAINT decisions_review_id_key UNIQUE (review_id);

ALTER TABLE ONLY public.engine_tables
    ADD CONSTRAINT engine_tables_pkey PRIMARY KEY (catalogue_revision, engine_version, table_form, name);

ALTER TABLE ONLY public.engine_versions
    ADD CONSTRAINT engine_versions_name_key UNIQUE (name);

ALTER TABLE ONLY public.engine_versions
    ADD CONSTRAINT engine_versions_pkey PRIMARY KEY (number);

ALTER TABLE ONLY public.idempotent_replies
    ADD CONSTRAINT idempotent_replies_pkey PRIMARY KEY (key_id, client_key);

ALTER TABLE ONLY public.instrument_calibrations
    ADD CONSTRAINT instrument_calibrations_pkey PRIMARY KEY (id);

ALTER TABLE ONLY public.letters
    ADD CONSTRAINT letters_pkey PRIMARY KEY (id);

ALTER TABLE ONLY public.lift_tables
    ADD CONSTRAINT lift_tables_pkey PRIMARY KEY (id);

ALTER TABLE ONLY public.look_alike_maps
    ADD CONSTRAINT look_alike_maps_pkey PRIMARY KEY (catalogue_revision, engine_version);

ALTER TABLE ONLY public.mail_in_events
    ADD CONSTRAINT mail_in_events_pkey PRIMARY KEY (mail_in_id, number);

ALTER TABLE ONLY public.mail_ins
    ADD CONSTRAINT mail_ins_pkey PRIMARY KEY (id);

ALTER TABLE ONLY public.mail_ins
    ADD CONSTRAINT mail_ins_reference_key UNIQUE (reference);

ALTER TABLE ONLY public.outbox_messages
    ADD CONSTRAINT outbox_messages_pkey PRIMARY KEY (id);

ALTER TABLE ONLY public.photos
    ADD CONSTRAINT photos_pkey PRIMARY KEY (id);

ALTER TABLE ONLY public.procrastinate_events
    ADD CONSTRAINT procrastinate_events_pkey PRIMARY KEY (id);

ALTER TABLE ONLY public.procrastinate_jobs
    ADD CONSTRAINT procrastinate_jobs_pkey PRIMARY KEY (id);

ALTER TABLE ONLY public.procrastinate_periodic_defers
    ADD CONSTRAINT procrastinate_periodic_defers_pkey PRIMARY KEY (id);

ALTER TABLE ONLY public.procrastinate_periodic_defers
    ADD CONSTRAINT procrastinate_periodic_defers_unique UNIQUE (task_name, periodic_id, defer_timestamp);

ALTER TABLE ONLY public.procrastinate_workers
    ADD CONSTRAINT procrastinate_workers_pkey PRIMARY KEY (id);

ALTER TABLE ONLY public.reidentifications
    ADD CONSTRAINT reidentifications_pkey PRIMARY KEY (catalogue_revision);

ALTER TABLE ONLY public.return_links
    ADD CONSTRAINT return_links_pkey PRIMARY KEY (digest);

ALTER TABLE ONLY public.reviews
    ADD CONSTRAINT reviews_pkey PRIMARY KEY (id);

ALTER TABLE ONLY public.submission_rounds
    ADD CONSTRAINT submission_rounds_pkey PRIMARY KEY (submission_id, number);

ALTER TABLE ONLY public.submissions
    ADD CONSTRAINT submissions_pkey PRIMARY KEY (id);

ALTER TABLE ONLY public.submissions
    ADD CONSTRAINT submissions_reference_key UNIQUE (reference);

ALTER TABLE ONLY public.webhook_endpoints
    ADD CONSTRAINT webhook_endpoints_pkey PRIMARY KEY (id);

CREATE INDEX audit_trail_by_submission ON public.audit_trail USING btree (submission_id, id) WHERE (submission_id IS NOT NULL);

CREATE UNIQUE INDEX bench_instruments_in_use ON public.bench_instruments USING btree (name) WHERE (retired_at IS NULL);

CREATE INDEX case_notes_by_submission ON public.case_notes USING btree (submission_id, id);

CREATE INDEX catalogue_part_by_beginning ON public.catalogue_part USING btree (revision, upper(part_number) COLLATE "C");

CREATE INDEX catalogue_part_by_core ON public.catalogue_part USING btree (revision, core, part_number);

CREATE UNIQUE INDEX catalogue_revision_one_active ON public.catalogue_revision USING btree (state) WHERE (state = 'active'::text);

CREATE INDEX changed_answers_by_submission ON public.changed_answers USING btree (submission_id);

CREATE INDEX confirmations_by_submission ON public.confirmations USING btree (submission_id, id);

CREATE INDEX decisions_by_part ON public.decisions USING btree (part_number);

CREATE INDEX decisions_by_submission ON public.decisions USING btree (submission_id, id);

CREATE UNIQUE INDEX engine_versions_one_active ON public.engine_versions USING btree (active) WHERE active;

CREATE INDEX idempotent_replies_by_age ON public.idempotent_replies USING btree (kept_at);

CREATE INDEX idx_procrastinate_jobs_worker_not_null ON public.procrastinate_jobs USING btree (worker_id) WHERE ((worker_id IS NOT NULL) AND (status = 'doing'::public.procrastinate_job_status));

CREATE INDEX idx_procrastinate_workers_last_heartbeat ON public.procrastinate_workers USING btree (last_heartbeat);

CREATE INDEX instrument_calibrations_latest ON public.instrument_calibrations USING btree (instrument_id, calibrated_on DESC, id DESC);

CREATE INDEX letters_by_mail_in ON public.letters USING btree (mail_in_id) WHERE (mail_in_id IS NOT NULL);

CREATE INDEX letters_by_submission ON public.letters USING btree (submission_id, id);

CREATE INDEX lift_tables_by_mail_in ON public.lift_tables USING btree (mail_in_id, id) WHERE (mail_in_id IS NOT NULL);

CREATE INDEX lift_tables_by_submission ON public.lift_tables USING btree (submission_id, id) WHERE (submission_id IS NOT NULL);

CREATE INDEX mail_ins_by_key ON public.mail_ins USING btree (key_id, id);

CREATE INDEX mail_ins_by_state ON public.mail_ins USING btree (state, id);

CREATE INDEX mail_ins_by_submission ON public.mail_ins USING btree (submission_id);

CREATE INDEX mail_ins_due ON public.mail_ins USING btree (due_at) WHERE (due_at IS NOT NULL);

CREATE UNIQUE INDEX mail_ins_one_journey ON public.mail_ins USING btree (submission_id) WHERE (state = ANY (ARRAY['announced'::public.mail_in_state, 'received'::public.mail_in_state, 'measured'::public.mail_in_state, 'reported'::public.mail_in_state]));

CREATE INDEX outbox_messages_by_letter ON public.outbox_messages USING btree (letter_id, id);

CREATE INDEX outbox_messages_by_state ON public.outbox_messages USING btree (state, id);

CREATE INDEX outbox_messages_by_submission ON public.outbox_messages USING btree (submission_id, id);

CREATE INDEX outbox_messages_due ON public.outbox_messages USING btree (due_at, id) WHERE (state = 'waiting'::public.outbox_state);

CREATE INDEX outbox_messages_sent ON public.outbox_messages USING btree (settled_at) WHERE (state = 'sent'::public.outbox_state);

CREATE INDEX photos_by_mail_in ON public.photos USING btree (mail_in_id, id) WHERE (mail_in_id IS NOT NULL);

CREATE INDEX photos_by_submission ON public.photos USING btree (submission_id, id) WHERE (submission_id IS NOT NULL);

CREATE INDEX procrastinate_events_job_id_fkey_v1 ON public.procrastinate_events USING btree (job_id);

CREATE INDEX procrastinate_jobs_id_lock_idx_v1 ON public.procrastinate_jobs USING btree (id, lock) WHERE (status = ANY (ARRAY['todo'::public.procrastinate_job_status, 'doing'::public.procrastinate_job_status]));

CREATE UNIQUE INDEX procrastinate_jobs_lock_idx_v1 ON public.procrastinate_jobs USING btree (lock) WHERE (status = 'doing'::public.procrastinate_job_status);

CREATE INDEX procrastinate_jobs_priority_idx_v1 ON public.procrastinate_jobs USING btree (priority DESC, id) WHERE (status = 'todo'::public.procrastinate_job_status);

CREATE INDEX procrastinate_jobs_queue_name_idx_v1 ON public.procrastinate_jobs USING btree (queue_name);

CREATE UNIQUE INDEX procrastinate_jobs_queueing_lock_idx_v1 ON public.procrastinate_jobs USING btree (queueing_lock) WHERE (status = 'todo'::public.procrastinate_job_status);

CREATE INDEX procrastinate_periodic_defers_job_id_fkey_v1 ON public.procrastinate_periodic_defers USING btree (job_id);

CREATE UNIQUE INDEX reidentifications_one_unfinished ON public.reidentifications USING btree (((finished_at IS NULL))) WHERE (finished_at IS NULL);

CREATE INDEX return_links_by_lapse ON public.return_links USING btree (lapses_at);

CREATE INDEX return_links_by_submission ON public.return_links USING btree (submission_id);

CREATE INDEX reviews_by_state ON public.reviews USING btree (state, id);

CREATE INDEX reviews_by_submission ON public.reviews USING btree (submission_id, id);

CREATE INDEX reviews_counted ON public.reviews USING btree (state, opened_at) INCLUDE (due_at);

CREATE UNIQUE INDEX reviews_one_open ON public.reviews USING btree (submission_id) WHERE ((state = ANY (ARRAY['waiting'::public.review_state, 'claimed'::public.review_state])) AND (NOT second_look));

CREATE UNIQUE INDEX reviews_one_second_look ON public.reviews USING btree (submission_id) WHERE ((state = ANY (ARRAY['waiting'::public.review_state, 'claimed'::public.review_state])) AND second_look);

CREATE INDEX reviews_to_claim ON public.reviews USING btree (priority DESC, due_at, id) WHERE (state = ANY (ARRAY['waiting'::public.review_state, 'claimed'::public.review_state]));

CREATE INDEX reviews_to_claim_by_skill ON public.reviews USING btree (COALESCE(skill, ''::text), priority DESC, due_at, id) WHERE (state = ANY (ARRAY['waiting'::public.review_state, 'claimed'::public.review_state]));

CREATE INDEX submission_rounds_by_part ON public.submission_rounds USING btree (((answer #>> '{candidates,0,part_number}'::text[])));

CREATE INDEX submissions_by_contact_email ON public.submissions USING btree (contact_email text_pattern_ops) WHERE (contact_email IS NOT NULL);

CREATE INDEX submissions_by_contact_name ON public.submissions USING gin (contact_name);

CREATE INDEX submissions_by_contact_phone ON public.submissions USING btree (contact_phone) WHERE (contact_phone IS NOT NULL);

CREATE INDEX submissions_by_key ON public.submissions USING btree (key_id);

CREATE INDEX submissions_by_opening ON public.submissions USING btree (opened_at);

CREATE INDEX submissions_left_open ON public.submissions USING btree (changed_at) WHERE (closed_at IS NULL);

CREATE INDEX submissions_merged ON public.submissions USING btree (merged_into) WHERE (merged_into IS NOT NULL);

CREATE INDEX submissions_reminded ON public.submissions USING btree (reminded_at) WHERE ((closed_at IS NULL) AND (reminded_at IS NOT NULL) AND (changed_at <= reminded_at));

CREATE INDEX submissions_silent ON public.submissions USING btree (changed_at, id) WHERE ((closed_at IS NULL) AND (reminded_at IS NULL) AND (state <> 'identified'::public.answer_state));

CREATE TRIGGER audit_trail_no_emptying BEFORE TRUNCATE ON public.audit_trail FOR EACH STATEMENT EXECUTE FUNCTION public.audit_trail_is_only_added_to();

CREATE TRIGGER audit_trail_no_rewriting BEFORE DELETE OR UPDATE ON public.audit_trail FOR EACH ROW EXECUTE FUNCTION public.audit_trail_is_only_added_to();

CREATE TRIGGER calibrations_are_only_added_to BEFORE DELETE OR UPDATE ON public.instrument_calibrations FOR EACH ROW EXECUTE FUNCTION public.calibrations_are_only_added_to();

CREATE TRIGGER catalogue_core_comes_while_loading AFTER INSERT ON public.catalogue_core REFERENCING NEW TABLE AS added FOR EACH STATEMENT EXECUTE FUNCTION public.catalogue_rows_come_while_loading();

CREATE TRIGGER catalogue_core_stays BEFORE DELETE OR UPDATE ON public.catalogue_core FOR EACH ROW EXECUTE FUNCTION public.catalogue_rows_stay();

CREATE TRIGGER catalogue_duration_comes_while_loading AFTER INSERT ON public.catalogue_duration REFERENCING NEW TABLE AS added FOR EACH STATEMENT EXECUTE FUNCTION public.catalogue_rows_come_while_loading();

CREATE TRIGGER catalogue_duration_stays BEFORE DELETE OR UPDATE ON public.catalogue_duration FOR EACH ROW EXECUTE FUNCTION public.catalogue_rows_stay();

CREATE TRIGGER catalogue_journal_comes_while_loading AFTER INSERT ON public.catalogue_journal REFERENCING NEW TABLE AS added FOR EACH STATEMENT EXECUTE FUNCTION public.catalogue_rows_come_while_loading();

CREATE TRIGGER catalogue_journal_stays BEFORE DELETE OR UPDATE ON public.catalogue_journal FOR EACH ROW EXECUTE FUNCTION public.catalogue_rows_stay();

CREATE TRIGGER catalogue_lift_table_comes_while_loading AFTER INSERT ON public.catalogue_lift_table REFERENCING NEW TABLE AS added FOR EACH STATEMENT EXECUTE FUNCTION public.catalogue_rows_come_while_loading();

CREATE TRIGGER catalogue_lift_table_stays BEFORE DELETE OR UPDATE ON public.catalogue_lift_table FOR EACH ROW EXECUTE FUNCTION public.catalogue_rows_stay();

CREATE TRIGGER catalogue_lobe_comes_while_loading AFTER INSERT ON public.catalogue_lobe REFERENCING NEW TABLE AS added FOR EACH STATEMENT EXECUTE FUNCTION public.catalogue_rows_come_while_loading();

CREATE TRIGGER catalogue_lobe_stays BEFORE DELETE OR UPDATE ON public.catalogue_lobe FOR EACH ROW EXECUTE FUNCTION public.catalogue_rows_stay();

CREATE TRIGGER catalogue_part_comes_while_loading AFTER INSERT ON public.catalogue_part REFERENCING NEW TABLE AS added FOR EACH STATEMENT EXECUTE FUNCTION public.catalogue_rows_come_while_loading();

CREATE TRIGGER catalogue_part_stays BEFORE DELETE OR UPDATE ON public.catalogue_part FOR EACH ROW EXECUTE FUNCTION public.catalogue_rows_stay();

CREATE TRIGGER catalogue_revision_guard BEFORE DELETE OR UPDATE ON public.catalogue_revision FOR EACH ROW EXECUTE FUNCTION public.catalogue_revision_guard();

CREATE TRIGGER engine_versions_no_rewriting BEFORE DELETE OR UPDATE ON public.engine_versions FOR EACH ROW EXECUTE FUNCTION public.engine_versions_stay_as_written();

CREATE TRIGGER letters_stay_as_issued BEFORE UPDATE ON public.letters FOR EACH ROW EXECUTE FUNCTION public.letters_stay_as_issued();

CREATE TRIGGER lift_tables_stay_as_sent BEFORE UPDATE ON public.lift_tables FOR EACH ROW EXECUTE FUNCTION public.lift_tables_stay_as_sent();

CREATE TRIGGER mail_in_events_are_only_added_to BEFORE INSERT OR UPDATE ON public.mail_in_events FOR EACH ROW EXECUTE FUNCTION public.mail_in_events_are_only_added_to();

CREATE TRIGGER procrastinate_jobs_notify_queue_job_aborted_v1 AFTER UPDATE OF abort_requested ON public.procrastinate_jobs FOR EACH ROW WHEN (((old.abort_requested = false) AND (new.abort_requested = true) AND (new.status = 'doing'::public.procrastinate_job_status))) EXECUTE FUNCTION public.procrastinate_notify_queue_abort_job_v1();

CREATE TRIGGER procrastinate_jobs_notify_queue_job_inserted_v1 AFTER INSERT ON public.procrastinate_jobs FOR EACH ROW WHEN ((new.status = 'todo'::public.procrastinate_job_status)) EXECUTE FUNCTION public.procrastinate_notify_queue_job_inserted_v1();

CREATE TRIGGER procrastinate_trigger_abort_requested_events_v1 AFTER UPDATE OF abort_requested ON public.procrastinate_jobs FOR EACH ROW WHEN ((new.abort_requested = true)) EXECUTE FUNCTION public.procrastinate_trigger_abort_requested_events_procedure_v1();

CREATE TRIGGER procrastinate_trigger_delete_jobs_v1 BEFORE DELETE ON public.procrastinate_jobs FOR EACH ROW EXECUTE FUNCTION public.procrastinate_unlink_periodic_defers_v1();

CREATE TRIGGER procrastinate_trigger_scheduled_events_v1 AFTER INSERT OR UPDATE ON public.procrastinate_jobs FOR EACH ROW WHEN (((new.scheduled_at IS NOT NULL) AND (new.status = 'todo'::public.procrastinate_job_status))) EXECUTE FUNCTION public.procrastinate_trigger_function_scheduled_events_v1();

CREATE TRIGGER procrastinate_trigger_status_events_insert_v1 AFTER INSERT ON public.procrastinate_jobs FOR EACH ROW WHEN ((new.status = 'todo'::public.procrastinate_job_status)) EXECUTE FUNCTION public.procrastinate_trigger_function_status_events_insert_v1();

CREATE TRIGGER procrastinate_trigger_status_events_update_v1 AFTER UPDATE OF status ON public.procrastinate_jobs FOR EACH ROW EXECUTE FUNCTION public.procrastinate_trigger_function_status_events_update_v1();

ALTER TABLE ONLY public.bench_instruments
    ADD CONSTRAINT bench_instruments_key_id_fkey FOREIGN KEY (key_id) REFERENCES public.api_keys(id);

ALTER TABLE ONLY public.bench_instruments
    ADD CONSTRAINT bench_instruments_retired_key_fkey FOREIGN KEY (retired_key) REFERENCES public.api_keys(id);

ALTER TABLE ONLY public.case_notes
    ADD CONSTRAINT case_notes_submission_id_fkey FOREIGN KEY (submission_id) REFERENCES public.submissions(id) ON DELETE CASCADE;

ALTER TABLE ONLY public.case_notes
    ADD CONSTRAINT case_notes_written_key_fkey FOREIGN KEY (written_key) REFERENCES public.api_keys(id);

ALTER TABLE ONLY public.catalogue_core
    ADD CONSTRAINT catalogue_core_revision_fkey FOREIGN KEY (revision) REFERENCES public.catalogue_revision(number);

ALTER TABLE ONLY public.catalogue_draft
    ADD CONSTRAINT catalogue_draft_made_key_fkey FOREIGN KEY (made_key) REFERENCES public.api_keys(id);

ALTER TABLE ONLY public.catalogue_duration
    ADD CONSTRAINT catalogue_duration_revision_part_number_lobe_fkey FOREIGN KEY (revision, part_number, lobe) REFERENCES public.catalogue_lobe(revision, part_number, lobe);

ALTER TABLE ONLY public.catalogue_journal
    ADD CONSTRAINT catalogue_journal_revision_core_fkey FOREIGN KEY (revision, core) REFERENCES public.catalogue_core(revision, code);

ALTER TABLE ONLY public.catalogue_lift_table
    ADD CONSTRAINT catalogue_lift_table_revision_part_number_lobe_fkey FOREIGN KEY (revision, part_number, lobe) REFERENCES public.catalogue_lobe(revision, part_number, lobe);

ALTER TABLE ONLY public.catalogue_lobe
    ADD CONSTRAINT catalogue_lobe_revision_part_number_fkey FOREIGN KEY (revision, part_number) REFERENCES public.catalogue_part(revision, part_number);

ALTER TABLE ONLY public.catalogue_part
    ADD CONSTRAINT catalogue_part_revision_core_fkey FOREIGN KEY (revision, core) REFERENCES public.catalogue_core(revision, code);

ALTER TABLE ONLY public.catalogue_part
    ADD CONSTRAINT catalogue_part_revision_superseded_by_fkey FOREIGN KEY (revision, superseded_by) REFERENCES public.catalogue_part(revision, part_number) DEFERRABLE INITIALLY DEFERRED;

ALTER TABLE ONLY public.changed_answers
    ADD CONSTRAINT changed_answers_catalogue_revision_fkey FOREIGN KEY (catalogue_revision) REFERENCES public.reidentifications(catalogue_revision);

ALTER TABLE ONLY public.changed_answers
    ADD CONSTRAINT changed_answers_review_id_fkey FOREIGN KEY (review_id) REFERENCES public.reviews(id) ON DELETE SET NULL;

ALTER TABLE ONLY public.changed_answers
    ADD CONSTRAINT changed_answers_submission_id_fkey FOREIGN KEY (submission_id) REFERENCES public.submissions(id) ON DELETE CASCADE;

ALTER TABLE ONLY public.confirmations
    ADD CONSTRAINT confirmations_confirmed_key_fkey FOREIGN KEY (confirmed_key) REFERENCES public.api_keys(id);

ALTER TABLE ONLY public.confirmations
    ADD CONSTRAINT confirmations_submission_id_fkey FOREIGN KEY (submission_id) REFERENCES public.submissions(id) ON DELETE CASCADE;

ALTER TABLE ONLY public.decisions
    ADD CONSTRAINT decisions_catalogue_revision_fkey FOREIGN KEY (catalogue_revision) REFERENCES public.catalogue_revision(number);

ALTER TABLE ONLY public.decisions
    ADD CONSTRAINT decisions_decided_key_fkey FOREIGN KEY (decided_key) REFERENCES public.api_keys(id);

ALTER TABLE ONLY public.decisions
    ADD CONSTRAINT decisions_review_id_fkey FOREIGN KEY (review_id) REFERENCES public.reviews(id) ON DELETE CASCADE;

ALTER TABLE ONLY public.decisions
    ADD CONSTRAINT decisions_submission_id_fkey FOREIGN KEY (submission_id) REFERENCES public.submissions(id) ON DELETE CASCADE;

ALTER TABLE ONLY public.engine_tables
    ADD CONSTRAINT engine_tables_catalogue_revision_fkey FOREIGN KEY (catalogue_revision) REFERENCES public.catalogue_revision(number) ON DELETE CASCADE;

ALTER TABLE ONLY public.engine_versions
    ADD CONSTRAINT engine_versions_catalogue_revision_fkey FOREIGN KEY (catalogue_revision) REFERENCES public.catalogue_revision(number);

ALTER TABLE ONLY public.idempotent_replies
    ADD CONSTRAINT idempotent_replies_key_id_fkey FOREIGN KEY (key_id) REFERENCES public.api_keys(id) ON DELETE CASCADE;

ALTER TABLE ONLY public.instrument_calibrations
    ADD CONSTRAINT instrument_calibrations_instrument_id_fkey FOREIGN KEY (instrument_id) REFERENCES public.bench_instruments(id);

ALTER TABLE ONLY public.instrument_calibrations
    ADD CONSTRAINT instrument_calibrations_key_id_fkey FOREIGN KEY (key_id) REFERENCES public.api_keys(id);

ALTER TABLE ONLY public.letters
    ADD CONSTRAINT letters_issued_key_fkey FOREIGN KEY (issued_key) REFERENCES public.api_keys(id);

ALTER TABLE ONLY public.letters
    ADD CONSTRAINT letters_mail_in_id_fkey FOREIGN KEY (mail_in_id) REFERENCES public.mail_ins(id);

ALTER TABLE ONLY public.letters
    ADD CONSTRAINT letters_submission_id_fkey FOREIGN KEY (submission_id) REFERENCES public.submissions(id) ON DELETE CASCADE;

ALTER TABLE ONLY public.lift_tables
    ADD CONSTRAINT lift_tables_key_id_fkey FOREIGN KEY (key_id) REFERENCES public.api_keys(id);

ALTER TABLE ONLY public.lift_tables
    ADD CONSTRAINT lift_tables_mail_in_id_fkey FOREIGN KEY (mail_in_id) REFERENCES public.mail_ins(id) ON DELETE CASCADE;

ALTER TABLE ONLY public.lift_tables
    ADD CONSTRAINT lift_tables_submission_id_fkey FOREIGN KEY (submission_id) REFERENCES public.submissions(id) ON DELETE CASCADE;

ALTER TABLE ONLY public.lift_tables
    ADD CONSTRAINT lift_tables_withdrawn_key_fkey FOREIGN KEY (withdrawn_key) REFERENCES public.api_keys(id);

ALTER TABLE ONLY public.look_alike_maps
    ADD CONSTRAINT look_alike_maps_catalogue_revision_fkey FOREIGN KEY (catalogue_revision) REFERENCES public.catalogue_revision(number) ON DELETE CASCADE;

ALTER TABLE ONLY public.mail_in_events
    ADD CONSTRAINT mail_in_events_key_id_fkey FOREIGN KEY (key_id) REFERENCES public.api_keys(id);

ALTER TABLE ONLY public.mail_in_events
    ADD CONSTRAINT mail_in_events_mail_in_id_fkey FOREIGN KEY (mail_in_id) REFERENCES public.mail_ins(id) ON DELETE CASCADE;

ALTER TABLE ONLY public.mail_ins
    ADD CONSTRAINT mail_ins_key_id_fkey FOREIGN KEY (key_id) REFERENCES public.api_keys(id);

ALTER TABLE ONLY public.mail_ins
    ADD CONSTRAINT mail_ins_submission_id_fkey FOREIGN KEY (submission_id) REFERENCES public.submissions(id) ON DELETE SET NULL;

ALTER TABLE ONLY public.outbox_messages
    ADD CONSTRAINT outbox_messages_endpoint_id_fkey FOREIGN KEY (endpoint_id) REFERENCES public.webhook_endpoints(id);

ALTER TABLE ONLY public.outbox_messages
    ADD CONSTRAINT outbox_messages_letter_id_fkey FOREIGN KEY (letter_id) REFERENCES public.letters(id) ON DELETE CASCADE;

ALTER TABLE ONLY public.outbox_messages
    ADD CONSTRAINT outbox_messages_submission_id_fkey FOREIGN KEY (submission_id) REFERENCES public.submissions(id) ON DELETE CASCADE;

ALTER TABLE ONLY public.photos
    ADD CONSTRAINT photos_key_id_fkey FOREIGN KEY (key_id) REFERENCES public.api_keys(id);

ALTER TABLE ONLY public.photos
    ADD CONSTRAINT photos_mail_in_id_fkey FOREIGN KEY (mail_in_id) REFERENCES public.mail_ins(id) ON DELETE CASCADE;

ALTER TABLE ONLY public.photos
    ADD CONSTRAINT photos_submission_id_fkey FOREIGN KEY (submission_id) REFERENCES public.submissions(id) ON DELETE CASCADE;

ALTER TABLE ONLY public.procrastinate_events
    ADD CONSTRAINT procrastinate_events_job_id_fkey FOREIGN KEY (job_id) REFERENCES public.procrastinate_jobs(id) ON DELETE CASCADE;

ALTER TABLE ONLY public.procrastinate_jobs
    ADD CONSTRAINT procrastinate_jobs_worker_id_fkey FOREIGN KEY (worker_id) REFERENCES public.procrastinate_workers(id) ON DELETE SET NULL;

ALTER TABLE ONLY public.procrastinate_periodic_defers
    ADD CONSTRAINT procrastinate_periodic_defers_job_id_fkey FOREIGN KEY (job_id) REFERENCES public.procrastinate_jobs(id);

ALTER TABLE ONLY public.reidentifications
    ADD CONSTRAINT reidentifications_catalogue_revision_fkey FOREIGN KEY (catalogue_revision) REFERENCES public.catalogue_revision(number);

ALTER TABLE ONLY public.return_links
    ADD CONSTRAINT return_links_submission_id_fkey FOREIGN KEY (submission_id) REFERENCES public.submissions(id) ON DELETE CASCADE;

ALTER TABLE ONLY public.reviews
    ADD CONSTRAINT reviews_claimed_key_fkey FOREIGN KEY (claimed_key) REFERENCES public.api_keys(id);

ALTER TABLE ONLY public.reviews
    ADD CONSTRAINT reviews_submission_id_fkey FOREIGN KEY (submission_id) REFERENCES public.submissions(id) ON DELETE CASCADE;

ALTER TABLE ONLY public.submission_rounds
    ADD CONSTRAINT submission_rounds_submission_id_fkey FOREIGN KEY (submission_id) REFERENCES public.submissions(id) ON DELETE CASCADE;

ALTER TABLE ONLY public.submissions
    ADD CONSTRAINT submissions_key_id_fkey FOREIGN KEY (key_id) REFERENCES public.api_keys(id);

ALTER TABLE ONLY public.submissions
    ADD CONSTRAINT submissions_merged_into_fkey FOREIGN KEY (merged_into) REFERENCES public.submissions(id) ON DELETE SET NULL;

ALTER TABLE ONLY public.webhook_endpoints
    ADD CONSTRAINT webhook_endpoints_key_id_fkey FOREIGN KEY (key_id) REFERENCES public.api_keys(id);
