"""An open season is frozen: what was agreed on with families and published with the data is not changed any more.

A season is put together as a draft and then opened. From there on only open to closed may follow; its lists, its
protocol's ranges and the boundaries of its regions stay. Trying a protocol on stored returns is a job of its own kind.
"""

from django.db import migrations, models

FREEZE = """
CREATE FUNCTION season_is_frozen(season bigint) RETURNS boolean LANGUAGE sql STABLE AS $$
    SELECT EXISTS (SELECT 1 FROM surveys_season WHERE id = season AND state IN ('open', 'closed'))
$$;

CREATE FUNCTION refuse_change_of_season() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    moved surveys_season;
BEGIN
    IF OLD.state NOT IN ('open', 'closed') THEN
        RETURN CASE TG_OP WHEN 'DELETE' THEN OLD ELSE NEW END;
    END IF;
    IF TG_OP = 'UPDATE' THEN
        moved := OLD;
        moved.state := NEW.state;
        IF moved IS NOT DISTINCT FROM NEW AND (NEW.state = OLD.state OR (OLD.state = 'open' AND NEW.state = 'closed')) THEN
            RETURN NEW;
        END IF;
    END IF;
    RAISE EXCEPTION 'season % is frozen: an open season can only be closed; a change is a new season', OLD.code
        USING ERRCODE = 'restrict_violation';
END $$;

CREATE TRIGGER an_open_season_is_frozen BEFORE UPDATE OR DELETE ON surveys_season
    FOR EACH ROW EXECUTE FUNCTION refuse_change_of_season();

CREATE FUNCTION refuse_change_of_season_list() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF TG_OP <> 'INSERT' AND season_is_frozen(OLD.season_id) OR TG_OP <> 'DELETE' AND season_is_frozen(NEW.season_id) THEN
        RAISE EXCEPTION '% of an open season are frozen: a change is a new season', replace(TG_TABLE_NAME, 'surveys_', '')
            USING ERRCODE = 'restrict_violation';
    END IF;
    RETURN CASE TG_OP WHEN 'DELETE' THEN OLD ELSE NEW END;
END $$;

CREATE TRIGGER groups_of_an_open_season_are_frozen BEFORE INSERT OR UPDATE OR DELETE ON surveys_seasongroup
    FOR EACH ROW EXECUTE FUNCTION refuse_change_of_season_list();
CREATE TRIGGER habitats_of_an_open_season_are_frozen BEFORE INSERT OR UPDATE OR DELETE ON surveys_seasonhabitat
    FOR EACH ROW EXECUTE FUNCTION refuse_change_of_season_list();
CREATE TRIGGER windows_of_an_open_season_are_frozen BEFORE INSERT OR UPDATE OR DELETE ON surveys_window
    FOR EACH ROW EXECUTE FUNCTION refuse_change_of_season_list();
CREATE TRIGGER regions_of_an_open_season_are_frozen BEFORE INSERT OR UPDATE OR DELETE ON surveys_season_regions
    FOR EACH ROW EXECUTE FUNCTION refuse_change_of_season_list();

CREATE FUNCTION refuse_change_of_protocol() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF EXISTS (SELECT 1 FROM surveys_season WHERE protocol_id = OLD.id AND state IN ('open', 'closed')) THEN
        RAISE EXCEPTION 'protocol % is in use: a change is a new version', OLD.version
            USING ERRCODE = 'restrict_violation';
    END IF;
    RETURN CASE TG_OP WHEN 'DELETE' THEN OLD ELSE NEW END;
END $$;

CREATE TRIGGER a_protocol_in_use_is_frozen BEFORE UPDATE OF id, version, limits, agreed_on OR DELETE ON surveys_protocol
    FOR EACH ROW EXECUTE FUNCTION refuse_change_of_protocol();

CREATE FUNCTION refuse_change_of_boundary() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF TG_OP = 'UPDATE' AND NEW.id = OLD.id AND NEW.code = OLD.code AND NEW.boundary = OLD.boundary THEN
        RETURN NEW;
    END IF;
    IF EXISTS (
        SELECT 1 FROM surveys_season_regions r JOIN surveys_season s ON s.id = r.season_id
        WHERE r.region_id = OLD.id AND s.state IN ('open', 'closed')
    ) THEN
        RAISE EXCEPTION 'region % is in use: a change is a new version with a new code', OLD.code
            USING ERRCODE = 'restrict_violation';
    END IF;
    RETURN CASE TG_OP WHEN 'DELETE' THEN OLD ELSE NEW END;
END $$;

CREATE TRIGGER a_region_in_use_is_frozen BEFORE UPDATE OF id, code, boundary OR DELETE ON surveys_region
    FOR EACH ROW EXECUTE FUNCTION refuse_change_of_boundary();
"""

THAW = """
DROP TRIGGER a_region_in_use_is_frozen ON surveys_region;
DROP FUNCTION refuse_change_of_boundary();
DROP TRIGGER a_protocol_in_use_is_frozen ON surveys_protocol;
DROP FUNCTION refuse_change_of_protocol();
DROP TRIGGER regions_of_an_open_season_are_frozen ON surveys_season_regions;
DROP TRIGGER windows_of_an_open_season_are_frozen ON surveys_window;
DROP TRIGGER habitats_of_an_open_season_are_frozen ON surveys_seasonhabitat;
DROP TRIGGER groups_of_an_open_season_are_frozen ON surveys_seasongroup;
DROP FUNCTION refuse_change_of_season_list();
DROP TRIGGER an_open_season_is_frozen ON surveys_season;
DROP FUNCTION refuse_change_of_season();
DROP FUNCTION season_is_frozen(bigint);
"""

KINDS = [
    ('night', 'nightly computation'), ('canary', 'sign of life'), ('sheet', 'reading a spreadsheet'),
    ('preview', 'trying a protocol on last season'),
]


class Migration(migrations.Migration):

    dependencies = [('surveys', '0007_morning_letter')]

    operations = [
        migrations.RemoveConstraint(model_name='job', name='a_job_is_of_a_known_kind'),
        migrations.AlterField(
            model_name='job', name='kind', field=models.CharField(choices=KINDS, max_length=24)
        ),
        migrations.AddConstraint(
            model_name='job',
            constraint=models.CheckConstraint(
                condition=models.Q(('kind__in', ['night', 'canary', 'sheet', 'preview'])),
                name='a_job_is_of_a_known_kind',
            ),
        ),
        migrations.RunSQL(FREEZE, THAW),
    ]
