"""SQL that keeps shops apart inside PostgreSQL; used by migrations.

Every tenant table has a column `shop_id`. Row-level security lets a transaction see the rows of
the shop that it named (casebook.shops.tenancy) and no others. FORCE makes it hold for the owner
too; the owner's own policy then lets migrations work.
"""

from __future__ import annotations

CURRENT_SHOP = "NULLIF(current_setting('casebook.shop', true), '')::uuid"


def isolate(table: str) -> str:
    return f"""
ALTER TABLE {table} ENABLE ROW LEVEL SECURITY;
ALTER TABLE {table} FORCE ROW LEVEL SECURITY;
CREATE POLICY own_shop ON {table}
    USING (shop_id = {CURRENT_SHOP}) WITH CHECK (shop_id = {CURRENT_SHOP});
CREATE POLICY owner_all ON {table} TO CURRENT_USER USING (true) WITH CHECK (true);
"""


def undo_isolate(table: str) -> str:
    return f"""
DROP POLICY owner_all ON {table};
DROP POLICY own_shop ON {table};
ALTER TABLE {table} NO FORCE ROW LEVEL SECURITY;
ALTER TABLE {table} DISABLE ROW LEVEL SECURITY;
"""
