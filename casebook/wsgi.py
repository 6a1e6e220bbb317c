"""The web application, for gunicorn or any other WSGI server."""

from __future__ import annotations

import os

from django.core.wsgi import get_wsgi_application
from django.urls import get_resolver

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "casebook.settings")

application = get_wsgi_application()
# Loads every view now: before workers fork, so that they share it, and not in the first request.
get_resolver().url_patterns  # noqa: B018
