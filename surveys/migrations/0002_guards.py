"""What the database itself refuses: edits of what was sent, and any change to the log.

The trigger's column list is written out here on purpose: a migration imports no live code. A test
compares it with the model, so that a new reported column cannot be forgotten.
"""

from django.db import migrations

REPORTED = (
    "id, uuid, season_id, trap_id, received_at, fingerprint, set_at, emptied_at, night, time_precision, "
    "habitat_id, mouth_mm, depth_mm, material, wall, colour, nesting, rim, rim_gap, cover, cover_kind, "
    "cover_gap_mm, cover_width_mm, guard, guard_hole_mm, refuge, liquid, water_mm, drain_holes, settled_h, "
    "hole_reuse, disturbance, pesticide, looks, traps_open, spacing_m, traps_pooled, ground_cover, "
    "vegetation, temp_min_c, temp_max_c, temp_source, rain, wind, ground, trap_state, counted_in, "
    "looked_for_all, remains_seen, vertebrate_seen, release, closing, note"
)

GUARDS = f"""
CREATE FUNCTION refuse_edit_of_what_was_sent() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    RAISE EXCEPTION 'what was sent is never edited: write a correction that points to return %', OLD.id
        USING ERRCODE = 'restrict_violation';
END $$;

CREATE TRIGGER what_was_sent_is_never_edited
    BEFORE UPDATE OF {REPORTED} ON surveys_return
    FOR EACH ROW EXECUTE FUNCTION refuse_edit_of_what_was_sent();

CREATE FUNCTION refuse_edit_of_catch() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    RAISE EXCEPTION 'a catch is never edited: write a correction that points to return %', OLD.report_id
        USING ERRCODE = 'restrict_violation';
END $$;

CREATE TRIGGER a_catch_is_never_edited
    BEFORE UPDATE ON surveys_catch
    FOR EACH ROW EXECUTE FUNCTION refuse_edit_of_catch();

CREATE FUNCTION refuse_change() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    -- Only a test database, between two tests, carries this setting.
    IF current_setting('trapnight.wiping', true) = 'test' AND TG_OP IN ('TRUNCATE', 'DELETE') THEN
        RETURN CASE TG_OP WHEN 'DELETE' THEN OLD END;
    END IF;
    RAISE EXCEPTION '% only grows: % is refused', TG_TABLE_NAME, lower(TG_OP)
        USING ERRCODE = 'restrict_violation';
END $$;

CREATE TRIGGER the_log_only_grows BEFORE UPDATE OR DELETE ON surveys_event
    FOR EACH ROW EXECUTE FUNCTION refuse_change();
CREATE TRIGGER the_log_is_never_emptied BEFORE TRUNCATE ON surveys_event
    FOR EACH STATEMENT EXECUTE FUNCTION refuse_change();
CREATE TRIGGER corrections_only_grow BEFORE UPDATE ON surveys_correction
    FOR EACH ROW EXECUTE FUNCTION refuse_change();

CREATE FUNCTION event_digest(event surveys_event) RETURNS text LANGUAGE sql STABLE AS $$
    SELECT encode(sha256(convert_to(concat_ws(
        E'\\x1f', event.previous, event.id, to_char(event.at AT TIME ZONE 'UTC', 'YYYY-MM-DD"T"HH24:MI:SS.US'),
        coalesce(event.actor::text, '-'), event.verb, event.subject, coalesce(event.subject_id::text, '-'),
        event.details::text, event.request_id
    ), 'UTF8')), 'hex')
$$;

CREATE FUNCTION chain_event() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    last surveys_event;
BEGIN
    -- One writer at a time, until commit: numbers follow commits and never skip.
    PERFORM pg_advisory_xact_lock(hashtext('surveys_event'));
    SELECT * INTO last FROM surveys_event ORDER BY id DESC LIMIT 1;
    NEW.id := coalesce(last.id, 0) + 1;
    NEW.at := clock_timestamp();
    NEW.previous := coalesce(last.digest, repeat('0', 64));
    NEW.digest := event_digest(NEW);
    RETURN NEW;
END $$;

CREATE TRIGGER events_are_chained BEFORE INSERT ON surveys_event
    FOR EACH ROW EXECUTE FUNCTION chain_event();
"""

UNGUARD = """
DROP TRIGGER events_are_chained ON surveys_event;
DROP FUNCTION chain_event();
DROP FUNCTION event_digest(surveys_event);
DROP TRIGGER corrections_only_grow ON surveys_correction;
DROP TRIGGER the_log_is_never_emptied ON surveys_event;
DROP TRIGGER the_log_only_grows ON surveys_event;
DROP FUNCTION refuse_change();
DROP TRIGGER a_catch_is_never_edited ON surveys_catch;
DROP FUNCTION refuse_edit_of_catch();
DROP TRIGGER what_was_sent_is_never_edited ON surveys_return;
DROP FUNCTION refuse_edit_of_what_was_sent();
"""


class Migration(migrations.Migration):
    dependencies = [("surveys", "0001_initial")]

    operations = [migrations.RunSQL(GUARDS, UNGUARD)]
