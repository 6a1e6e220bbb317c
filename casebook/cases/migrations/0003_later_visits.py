"""What later visits of a vehicle tell of an earlier repair, at whichever shop they are.

No shop sees another's cases, so the database does the counting: a case opened for the same kind of
unit of the same vehicle within two years of a repair is a comeback of it; one for another unit is
another fault. What the shop itself told stays beside it (`told`), so that a visit that is withdrawn
or corrected leaves no trace.
"""

import django.contrib.postgres.fields
from django.db import migrations, models

# Later than this, trouble with the same unit is not the old fault come back.
RETURN_DAYS = 730
MOST_LOCKS = 500

FUNCTIONS = f"""
CREATE FUNCTION casebook_count_later_visits() RETURNS trigger LANGUAGE plpgsql
SECURITY DEFINER SET search_path = public, pg_temp AS $$
DECLARE
    own record;
    seen record;
    first_on date := (NEW.told ->> 'first_on')::date;
    last_on date := (NEW.told ->> 'last_on')::date;
    days double precision;
BEGIN
    IF NEW.told IS NULL THEN
        RETURN NEW;
    END IF;
    NEW.event := NEW.told ->> 'event';
    NEW.event_days := (NEW.told ->> 'event_days')::double precision;
    NEW.event_km := (NEW.told ->> 'event_km')::double precision;
    NEW.resolved_by := NEW.told ->> 'resolved_by';
    NEW.other_fault_days := (NEW.told ->> 'other_fault_days')::double precision;
    NEW.watched_days := (NEW.told ->> 'watched_days')::double precision;
    NEW.document := jsonb_set(NEW.document, '{{outcome}}', NEW.told -> 'outcome');
    SELECT id, shop_id, shop_reference, vehicle_link, unit_kind INTO own
        FROM cases_case WHERE shared_id = NEW.id;
    IF own.vehicle_link IS NULL THEN
        RETURN NEW;
    END IF;
    SELECT min(c.opened_on) FILTER (WHERE c.unit_kind = own.unit_kind) AS back,
           min(c.opened_on) FILTER (WHERE c.unit_kind = own.unit_kind AND c.opened_on > last_on)
               AS back_after_last,
           min(c.opened_on) FILTER (WHERE c.unit_kind <> own.unit_kind) AS other,
           max(c.opened_on) AS latest
        INTO seen
        FROM cases_case c
        WHERE c.vehicle_link = own.vehicle_link AND c.id <> own.id
          AND c.opened_on > first_on AND c.opened_on <= first_on + {RETURN_DAYS}
          -- Several complaints on one job are one visit.
          AND NOT (c.shop_id = own.shop_id AND c.shop_reference = own.shop_reference
                   AND own.shop_reference <> '');
    days := seen.back - first_on;
    IF days IS NOT NULL AND (NEW.event = 'none' OR days < NEW.event_days) THEN
        NEW.event := 'came_back';
        NEW.event_days := days;
        NEW.event_km := NULL;
    END IF;
    IF seen.back_after_last IS NOT NULL AND NEW.resolved_by IS NOT NULL THEN
        NEW.resolved_by := NULL;
        NEW.document := jsonb_set(NEW.document, '{{outcome}}', jsonb_build_object(
            'resolved_by', NULL, 'held_days', seen.back_after_last - last_on,
            'state', 'came_back'));
    END IF;
    NEW.other_fault_days := least(NEW.other_fault_days, seen.other - first_on);
    NEW.watched_days := greatest(NEW.watched_days, seen.latest - first_on);
    RETURN NEW;
END $$;

CREATE FUNCTION casebook_tell_earlier_visits() RETURNS trigger LANGUAGE plpgsql
SECURITY DEFINER SET search_path = public, pg_temp AS $$
DECLARE
    visits record;
    shared uuid[];
BEGIN
    IF TG_OP = 'INSERT' THEN
        SELECT array_agg(vehicle_link) AS links, array_agg(opened_on) AS days INTO visits
            FROM fresh WHERE vehicle_link IS NOT NULL;
    ELSIF TG_OP = 'DELETE' THEN
        SELECT array_agg(vehicle_link) AS links, array_agg(opened_on) AS days INTO visits
            FROM stale WHERE vehicle_link IS NOT NULL;
    ELSE
        WITH changed AS (
            SELECT f.vehicle_link AS now, s.vehicle_link AS before,
                   greatest(f.opened_on, s.opened_on) AS opened_on
            FROM fresh f JOIN stale s USING (id)
            WHERE (f.vehicle_link, f.opened_on, f.unit_kind, f.shop_reference)
               IS DISTINCT FROM (s.vehicle_link, s.opened_on, s.unit_kind, s.shop_reference)
        ), both_sides AS (
            SELECT now AS vehicle_link, opened_on FROM changed
            UNION SELECT before, opened_on FROM changed
        )
        SELECT array_agg(vehicle_link) AS links, array_agg(opened_on) AS days INTO visits
            FROM both_sides WHERE vehicle_link IS NOT NULL;
    END IF;
    IF visits.links IS NULL THEN
        RETURN NULL;
    END IF;
    -- Two visits of one vehicle that are written at the same moment must see each other. A lock for
    -- each vehicle, or a single one where they would fill the server's table of locks.
    IF cardinality(visits.links) > {MOST_LOCKS} THEN
        PERFORM pg_advisory_xact_lock(hashtext('casebook vehicles'), 0);
    ELSE
        PERFORM pg_advisory_xact_lock_shared(hashtext('casebook vehicles'), 0);
        PERFORM pg_advisory_xact_lock(k.key) FROM (
            SELECT DISTINCT hashtextextended(encode(link, 'hex'), 0) AS key
            FROM unnest(visits.links) AS link ORDER BY 1
        ) AS k;
    END IF;
    SELECT array_agg(DISTINCT c.shared_id ORDER BY c.shared_id) INTO shared
        FROM unnest(visits.links, visits.days) AS v (link, opened_on)
        JOIN cases_case c ON c.vehicle_link = v.link AND c.opened_on < v.opened_on;
    IF shared IS NULL THEN
        RETURN NULL;
    END IF;
    PERFORM 1 FROM cases_sharedcase WHERE id = ANY(shared) ORDER BY id FOR UPDATE;
    UPDATE cases_sharedcase SET told = told WHERE id = ANY(shared);
    RETURN NULL;
END $$;
"""  # noqa: S608 - constants only

TRIGGERS = """
CREATE TRIGGER count_later_visits BEFORE INSERT OR UPDATE ON cases_sharedcase
    FOR EACH ROW EXECUTE FUNCTION casebook_count_later_visits();
CREATE TRIGGER tell_earlier_after_insert AFTER INSERT ON cases_case
    REFERENCING NEW TABLE AS fresh
    FOR EACH STATEMENT EXECUTE FUNCTION casebook_tell_earlier_visits();
CREATE TRIGGER tell_earlier_after_update AFTER UPDATE ON cases_case
    REFERENCING OLD TABLE AS stale NEW TABLE AS fresh
    FOR EACH STATEMENT EXECUTE FUNCTION casebook_tell_earlier_visits();
CREATE TRIGGER tell_earlier_after_delete AFTER DELETE ON cases_case
    REFERENCING OLD TABLE AS stale
    FOR EACH STATEMENT EXECUTE FUNCTION casebook_tell_earlier_visits();
"""
UNDO_TRIGGERS = """
DROP TRIGGER tell_earlier_after_delete ON cases_case;
DROP TRIGGER tell_earlier_after_update ON cases_case;
DROP TRIGGER tell_earlier_after_insert ON cases_case;
DROP TRIGGER count_later_visits ON cases_sharedcase;
DROP FUNCTION casebook_tell_earlier_visits();
DROP FUNCTION casebook_count_later_visits();
"""

# Cases stored before: the new columns from their attempts and follow-ups. Nothing that a search
# compares changes, so the rows keep their stamps and no index has to read them again.
FILL = """
ALTER TABLE cases_sharedcase DISABLE TRIGGER stamp_change;
WITH tried AS (
    SELECT a.case_id, a.on, a.position, a.level,
           bool_or(a.level <> 'none') OVER (PARTITION BY a.case_id) AS any_work,
           min(a.position) OVER (PARTITION BY a.case_id) AS first_position
    FROM cases_attempt a
), attempts AS (
    SELECT case_id, array_agg(level ORDER BY position) AS path,
           (array_agg(tried.on ORDER BY position))[1] AS first_on,
           (array_agg(tried.on ORDER BY position DESC))[1] AS last_on
    FROM tried
    WHERE CASE WHEN any_work THEN level <> 'none' ELSE position = first_position END
    GROUP BY case_id
), told AS (
    SELECT c.shared_id, a.*,
           c.odometer_value * CASE c.odometer_unit WHEN 'km' THEN 1 WHEN 'mi' THEN 1.609344 END
               AS intake_km
    FROM attempts a JOIN cases_case c ON c.id = a.case_id
), seen AS (
    SELECT t.case_id, f.state, f.on - t.first_on AS days,
           f.odometer_value * CASE f.odometer_unit WHEN 'km' THEN 1 WHEN 'mi' THEN 1.609344 END
               - t.intake_km AS km
    FROM told t JOIN cases_followup f ON f.case_id = t.case_id AND f.on >= t.first_on
), facts AS (
    SELECT s.id, t.path, t.first_on, t.last_on,
           (SELECT min(days) FROM seen v WHERE v.case_id = t.case_id AND state = 'other_fault')
               AS other_fault_days,
           (SELECT min(days) FROM seen v WHERE v.case_id = t.case_id AND state = 'gone')
               AS gone_days,
           greatest(t.last_on - t.first_on, (SELECT max(days) FROM seen v
               WHERE v.case_id = t.case_id AND state <> 'no_contact')) AS watched_days,
           CASE WHEN s.event_days = 0 THEN 0
                ELSE 100 * round((SELECT max(greatest(0, km)) FROM seen v
                    WHERE v.case_id = t.case_id AND km IS NOT NULL
                      AND CASE WHEN s.event = 'none' THEN state IN ('holding', 'other_fault')
                               ELSE days = s.event_days END) / 100)
           END AS event_km
    FROM told t JOIN cases_sharedcase s ON s.id = t.shared_id
    WHERE s.event IS NOT NULL
)
UPDATE cases_sharedcase s SET
    path = f.path, event_km = f.event_km, other_fault_days = f.other_fault_days,
    gone_days = f.gone_days, watched_days = f.watched_days,
    told = jsonb_build_object(
        'first_on', f.first_on, 'last_on', f.last_on, 'event', s.event,
        'event_days', s.event_days, 'event_km', f.event_km, 'resolved_by', s.resolved_by,
        'other_fault_days', f.other_fault_days, 'watched_days', f.watched_days,
        'outcome', s.document -> 'outcome')
FROM facts f WHERE f.id = s.id;
ALTER TABLE cases_sharedcase ENABLE TRIGGER stamp_change;
"""
# Now with the triggers in place; only where a vehicle was seen again.
COUNT = """
UPDATE cases_sharedcase s SET told = told
FROM cases_case c JOIN cases_case later
    ON later.vehicle_link = c.vehicle_link AND later.opened_on > c.opened_on
WHERE c.shared_id = s.id AND s.told IS NOT NULL;
"""


def _add(name, field):
    return migrations.AddField(model_name="sharedcase", name=name, field=field)


class Migration(migrations.Migration):
    dependencies = [("cases", "0002_isolation")]
    operations = [
        _add(
            "path",
            django.contrib.postgres.fields.ArrayField(
                base_field=models.CharField(max_length=12), default=list, size=None
            ),
        ),
        *(
            _add(name, models.FloatField(null=True))
            for name in ("event_km", "other_fault_days", "gone_days", "watched_days")
        ),
        _add("told", models.JSONField(null=True)),
        migrations.RunSQL(FUNCTIONS + FILL + TRIGGERS + COUNT, UNDO_TRIGGERS),
    ]
