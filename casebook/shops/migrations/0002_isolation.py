"""Remembered answers belong to one shop: PostgreSQL enforces it."""

from django.db import migrations

from casebook.shops.isolation import isolate, undo_isolate

TABLE = "shops_idempotencykey"


class Migration(migrations.Migration):
    dependencies = [("shops", "0001_initial")]
    operations = [migrations.RunSQL(isolate(TABLE), undo_isolate(TABLE))]
