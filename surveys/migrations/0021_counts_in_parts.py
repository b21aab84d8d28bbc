"""The counts are parted by the season in which they came in; the table as it was becomes the first part.

No row is read or written again: the bound of the first part was proven by 0020, and its indexes and foreign keys are
taken over as they stand. Whoever reads or writes ``surveys_catch`` does so as before, the release before this one too,
whose rights go along. There is no way back: the old code needs none.

Part N holds the counts of returns N * 10^9 + 1 and on: the key of a return tells its part. The newest part is always
there, committed and empty, before any key falls into it, because only the next opening of a season lets keys jump on
to it (see ``begin_counts_of_a_season``). So a return that is being stored finds its part, whenever its key was drawn.

Sources: PostgreSQL 18 manual, 5.12.2.2 "Partition Maintenance" (attaching beside the work, a CHECK that spares the
reading) and 5.12.2.3 "Limitations" (a unique constraint holds the key of the parts, so ``id`` has none any more); "CREATE
FUNCTION", "Writing SECURITY DEFINER Functions Safely"; "ANALYZE" (of a table in parts the server measures nothing itself).
"""

from django.db import migrations

PARENT = """
ALTER TABLE surveys_catch RENAME TO surveys_catch_0;
ALTER SEQUENCE surveys_catch_id_seq RENAME TO surveys_catch_0_id_seq;
ALTER TABLE surveys_catch_0 RENAME CONSTRAINT a_group_is_answered_once_in_a_return TO surveys_catch_0_answered_once;
ALTER INDEX surveys_catch_group_id_f407844d RENAME TO surveys_catch_0_group_id;
ALTER INDEX surveys_catch_report_id_8c9d3b86 RENAME TO surveys_catch_0_report_id;

CREATE TABLE surveys_catch (
    LIKE surveys_catch_0 INCLUDING ALL EXCLUDING INDEXES,
    CONSTRAINT a_group_is_answered_once_in_a_return UNIQUE (report_id, group_id),
    CONSTRAINT surveys_catch_group_id_f407844d_fk_surveys_group_id
        FOREIGN KEY (group_id) REFERENCES surveys_group (id) DEFERRABLE INITIALLY DEFERRED,
    CONSTRAINT surveys_catch_report_id_8c9d3b86_fk_surveys_return_id
        FOREIGN KEY (report_id) REFERENCES surveys_return (id) DEFERRABLE INITIALLY DEFERRED
) PARTITION BY RANGE (report_id);
ALTER TABLE surveys_catch DROP CONSTRAINT counts_so_far;
CREATE INDEX surveys_catch_group_id_f407844d ON surveys_catch (group_id);
CREATE INDEX surveys_catch_report_id_8c9d3b86 ON surveys_catch (report_id);
CREATE TRIGGER a_catch_is_never_edited
    BEFORE UPDATE ON surveys_catch
    FOR EACH ROW EXECUTE FUNCTION refuse_edit_of_catch();
SELECT setval('surveys_catch_id_seq', last_value, is_called) FROM surveys_catch_0_id_seq;

DROP TRIGGER a_catch_is_never_edited ON surveys_catch_0;
ALTER TABLE surveys_catch_0 DROP CONSTRAINT surveys_catch_pkey;
ALTER TABLE surveys_catch_0 ALTER COLUMN id DROP IDENTITY;
ALTER TABLE surveys_catch ATTACH PARTITION surveys_catch_0 FOR VALUES FROM (MINVALUE) TO (1000000000);
ALTER TABLE surveys_catch_0 DROP CONSTRAINT counts_so_far;
"""

FUNCTIONS = """
CREATE FUNCTION begin_counts_of_a_season() RETURNS void LANGUAGE plpgsql SECURITY DEFINER
    SET search_path = public, pg_temp AS $$
DECLARE
    room CONSTANT bigint := 1000000000;
    keys CONSTANT regclass := pg_get_serial_sequence('surveys_return', 'id');
    used bigint;
    newest bigint;
    jumps boolean;
BEGIN
    -- One at a time, until commit. Readers and writers of counts go on.
    LOCK TABLE surveys_catch IN SHARE UPDATE EXCLUSIVE MODE;
    used := coalesce(pg_sequence_last_value(keys), 0) / room;
    SELECT max(substring(relname FROM '[0-9]+$')::bigint) INTO newest
    FROM pg_inherits JOIN pg_class ON pg_class.oid = inhrelid WHERE inhparent = 'surveys_catch'::regclass;
    -- Never on to a part that this very transaction has made: nobody else could see it yet.
    jumps := used < newest AND current_setting('trapnight.part_made', true) IS DISTINCT FROM 'here'
        AND EXISTS (SELECT FROM surveys_catch WHERE report_id >= used * room);
    IF jumps THEN
        used := newest;
    END IF;
    -- Also one that is missing because an opening was undone after its jump, which stays.
    FOR part IN newest + 1 .. used + 1 LOOP
        EXECUTE format(
            'CREATE TABLE surveys_catch_%s (LIKE surveys_catch INCLUDING ALL EXCLUDING INDEXES EXCLUDING IDENTITY)', part
        );
        EXECUTE format(
            'ALTER TABLE surveys_catch ATTACH PARTITION surveys_catch_%s FOR VALUES FROM (%s) TO (%s)',
            part, part * room, (part + 1) * room
        );
        PERFORM set_config('trapnight.part_made', 'here', true);
    END LOOP;
    -- Last, as it is seen at once and stays whatever becomes of this transaction: that part was there before it.
    IF jumps THEN
        PERFORM setval(keys, newest * room);
    END IF;
END $$;

-- The server keeps figures about each part by itself, but none about all of them together.
CREATE FUNCTION measure_counts() RETURNS void LANGUAGE sql SECURITY DEFINER
    SET search_path = public, pg_temp AS 'ANALYZE ONLY surveys_catch';

REVOKE ALL ON FUNCTION begin_counts_of_a_season(), measure_counts() FROM PUBLIC;
SELECT begin_counts_of_a_season();
"""

RIGHTS = """
DO $$
DECLARE
    given record;
BEGIN
    FOR given IN
        SELECT grantee::regrole AS role, string_agg(privilege_type, ', ') AS rights
        FROM pg_class, aclexplode(relacl)
        WHERE oid = 'surveys_catch_0'::regclass AND grantee NOT IN (relowner, 0) GROUP BY grantee
    LOOP
        EXECUTE format('GRANT %s ON surveys_catch TO %s', given.rights, given.role);
        EXECUTE format('GRANT EXECUTE ON FUNCTION begin_counts_of_a_season(), measure_counts() TO %s', given.role);
        EXECUTE format('REVOKE ALL ON surveys_catch_0 FROM %s', given.role);
    END LOOP;
END $$;
"""


class Migration(migrations.Migration):
    dependencies = [("surveys", "0020_counts_so_far_are_proven")]

    operations = [migrations.RunSQL(PARENT), migrations.RunSQL(FUNCTIONS), migrations.RunSQL(RIGHTS)]
