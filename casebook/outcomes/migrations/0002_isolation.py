"""Exports belong to one shop: PostgreSQL enforces it."""

from django.db import migrations

from casebook.shops.isolation import isolate, undo_isolate

TABLE = "outcomes_exportjob"


class Migration(migrations.Migration):
    dependencies = [("outcomes", "0001_initial")]
    operations = [migrations.RunSQL(isolate(TABLE), undo_isolate(TABLE))]
