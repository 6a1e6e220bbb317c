"""The web application, for gunicorn or any other WSGI server."""

from __future__ import annotations

import os

from django.core.wsgi import get_wsgi_application

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "casebook.settings")

application = get_wsgi_application()
