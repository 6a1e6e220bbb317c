"""The task queue, loaded by workers, beat and the relay alone."""

from __future__ import annotations

import os

from celery import Celery

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "casebook.settings")

app = Celery("casebook")
app.config_from_object("django.conf:settings", namespace="CELERY")
app.autodiscover_tasks()
