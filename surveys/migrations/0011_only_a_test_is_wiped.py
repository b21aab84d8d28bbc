"""The setting that lets a test empty its tables works in a test's database only.

Any role may set a setting of its own making, so ``trapnight.wiping`` alone kept nobody out: who might delete from a
table could get round the trigger that refuses it. A database is named by its owner; Django names those of tests
``test_...``.
"""

from django.db import migrations

REFUSE = """
CREATE OR REPLACE FUNCTION refuse_change() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    -- Only a test, between two tests, empties its tables: in a database of its own, which carries the name of one.
    IF current_database() LIKE 'test\\_%' AND current_setting('trapnight.wiping', true) = 'test'
        AND TG_OP IN ('TRUNCATE', 'DELETE') THEN
        RETURN CASE TG_OP WHEN 'DELETE' THEN OLD END;
    END IF;
    RAISE EXCEPTION '% only grows: % is refused', TG_TABLE_NAME, lower(TG_OP)
        USING ERRCODE = 'restrict_violation';
END $$;
"""

AS_BEFORE = """
CREATE OR REPLACE FUNCTION refuse_change() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF current_setting('trapnight.wiping', true) = 'test' AND TG_OP IN ('TRUNCATE', 'DELETE') THEN
        RETURN CASE TG_OP WHEN 'DELETE' THEN OLD END;
    END IF;
    RAISE EXCEPTION '% only grows: % is refused', TG_TABLE_NAME, lower(TG_OP)
        USING ERRCODE = 'restrict_violation';
END $$;
"""


class Migration(migrations.Migration):
    dependencies = [("surveys", "0010_parts_of_a_job")]

    operations = [migrations.RunSQL(REFUSE, AS_BEFORE)]
