"""Privileges of the two lesser database roles, in one readable place.

The application role owns nothing: it may read and write rows, never change the schema. The
reader role sees only what is shared. Run after every migration, as the owner; idempotent.
"""

from __future__ import annotations

from typing import Any

from django.conf import settings
from django.db import connections

# Columns of shared rows that the reader sees: all but whose they are and what only they told.
SHARED_COLUMNS = (
    "id cluster document unit_kind unit_family make model year odometer_km opened_month "
    "first_level event event_days resolved_by path event_km other_fault_days gone_days "
    "watched_days severity actions codes cost currency changed_xid"
).split()

GRANTS = """
GRANT USAGE ON SCHEMA public TO {app}, {reader};
GRANT SELECT, INSERT, UPDATE, DELETE ON ALL TABLES IN SCHEMA public TO {app};
GRANT USAGE, SELECT ON ALL SEQUENCES IN SCHEMA public TO {app};
REVOKE INSERT, UPDATE, DELETE ON django_migrations FROM {app};
GRANT SELECT ({shared_columns}) ON cases_sharedcase TO {reader};
GRANT SELECT ON cases_sharedremoval TO {reader};
GRANT SELECT ON search_learneddesign TO {reader};
"""


def grant_after_migrate(*, using: str, app_config: Any, **_: object) -> None:
    # The signal comes for every app after all migrations of a run; once is enough.
    if using != "owner" or app_config.name != "casebook.shops":
        return
    connection = connections[using]
    needed = {"cases_sharedremoval", "search_learneddesign"}
    if not needed <= set(connection.introspection.table_names()):
        return  # a run that stopped half-way on purpose (migrate shops 0001)
    quote = connection.ops.quote_name
    statement = GRANTS.format(
        app=quote(settings.APP_ROLE),
        reader=quote(settings.READER_ROLE),
        shared_columns=", ".join(SHARED_COLUMNS),
    )
    with connection.cursor() as cursor:
        cursor.execute(statement)
