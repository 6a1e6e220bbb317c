"""What Django's models can't say: isolation of shops, composite keys, stamps of change."""

from django.conf import settings
from django.db import migrations

from casebook.shops.isolation import isolate, undo_isolate

TENANT_TABLES = ["cases_case", "cases_attempt", "cases_followup", "cases_importrun"]

# A child can't point at another shop's case, whatever the code does.
COMPOSITE_KEYS = "".join(
    f"""
ALTER TABLE {table} ADD CONSTRAINT {table}_case_of_same_shop
    FOREIGN KEY (shop_id, case_id) REFERENCES cases_case (shop_id, id)
    ON DELETE CASCADE DEFERRABLE INITIALLY DEFERRED;
"""
    for table in ("cases_attempt", "cases_followup")
)
UNDO_COMPOSITE_KEYS = "".join(
    f"ALTER TABLE {table} DROP CONSTRAINT {table}_case_of_same_shop;"
    for table in ("cases_attempt", "cases_followup")
)

# Everybody who reads as the reader role sees all shared rows; only the owner shop writes its own.
SHARED = (
    isolate("cases_sharedcase")
    + f"""
CREATE POLICY shared_with_readers ON cases_sharedcase FOR SELECT
    TO "{settings.READER_ROLE}" USING (true);
"""
)
UNDO_SHARED = "DROP POLICY shared_with_readers ON cases_sharedcase;" + undo_isolate(
    "cases_sharedcase"
)

# The transaction id of the last change, so that a reader who remembers a snapshot's xmin misses
# nothing though transactions commit out of order; and a note of what is gone.
STAMPS = """
CREATE FUNCTION casebook_stamp_change() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    NEW.changed_xid := pg_current_xact_id();
    RETURN NEW;
END $$;
CREATE TRIGGER stamp_change BEFORE INSERT OR UPDATE ON cases_case
    FOR EACH ROW EXECUTE FUNCTION casebook_stamp_change();
CREATE TRIGGER stamp_change BEFORE INSERT OR UPDATE ON cases_sharedcase
    FOR EACH ROW EXECUTE FUNCTION casebook_stamp_change();
CREATE FUNCTION casebook_note_removal() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    INSERT INTO cases_sharedremoval (shared_id, changed_xid, at)
    VALUES (OLD.id, pg_current_xact_id(), now())
    ON CONFLICT (shared_id) DO UPDATE SET changed_xid = EXCLUDED.changed_xid, at = now();
    RETURN OLD;
END $$;
CREATE TRIGGER note_removal AFTER DELETE ON cases_sharedcase
    FOR EACH ROW EXECUTE FUNCTION casebook_note_removal();
CREATE FUNCTION casebook_ring_outbox() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    PERFORM pg_notify('casebook_outbox', '');
    RETURN NULL;
END $$;
CREATE TRIGGER ring_outbox AFTER INSERT ON cases_outbox
    FOR EACH STATEMENT EXECUTE FUNCTION casebook_ring_outbox();
"""
UNDO_STAMPS = """
DROP TRIGGER ring_outbox ON cases_outbox;
DROP TRIGGER note_removal ON cases_sharedcase;
DROP TRIGGER stamp_change ON cases_sharedcase;
DROP TRIGGER stamp_change ON cases_case;
DROP FUNCTION casebook_ring_outbox();
DROP FUNCTION casebook_note_removal();
DROP FUNCTION casebook_stamp_change();
"""

# Evidence columns are lists, whatever wrote them.
LISTS = "".join(
    f"ALTER TABLE cases_case ADD CONSTRAINT case_{column}_is_list "
    f"CHECK (jsonb_typeof({column}) = 'array');"
    for column in ("codes", "symptoms", "findings")
)
UNDO_LISTS = "".join(
    f"ALTER TABLE cases_case DROP CONSTRAINT case_{column}_is_list;"
    for column in ("codes", "symptoms", "findings")
)


class Migration(migrations.Migration):
    dependencies = [("cases", "0001_initial"), ("shops", "0002_isolation")]
    operations = [
        migrations.RunSQL(COMPOSITE_KEYS, UNDO_COMPOSITE_KEYS),
        *(migrations.RunSQL(isolate(table), undo_isolate(table)) for table in TENANT_TABLES),
        migrations.RunSQL(SHARED, UNDO_SHARED),
        migrations.RunSQL(STAMPS, UNDO_STAMPS),
        migrations.RunSQL(LISTS, UNDO_LISTS),
    ]
