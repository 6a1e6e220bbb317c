"""How long an index takes to build from PostgreSQL, and what memory it wants at most.

    python -m tests.benchmarks.build_from_database [--cases 1000000] [--data-dir FOLDER]

Starts its own database in FOLDER (default: a temporary one; given again, its rows are used as
they are). The rows are made of cases of the demo: each has the vehicle, unit and findings of one,
the symptoms and the first half of the complaint of others, the codes of a fourth, and one row in
twenty a word that no other has. Prints seconds of processor time and by the clock, and the most
memory that the building process ever held.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import subprocess
import sys
import tempfile
import time
import uuid
from datetime import date
from pathlib import Path

from casebook.embedded import attach_environment

DRAWN, SHOPS, SEED = 3_000, 300, 5
TODAY = date(2026, 5, 1)
BATCH = 50_000
MODULE = "tests.benchmarks.build_from_database"

MULTIPLY = """
    INSERT INTO cases_sharedcase (
        id, shop_id, cluster, document, unit_kind, unit_family, make, model, year, opened_month,
        path, actions, codes, currency)
    SELECT gen_random_uuid(), %(shop)s, a.shop,
        a.document || jsonb_build_object(
            'complaint', concat_ws(' ',
                array_to_string(b.words[: cardinality(b.words) / 2], ' '),
                array_to_string(c.words[cardinality(c.words) / 2 + 1 :], ' '),
                CASE WHEN k %% 20 = 0 THEN 'q' || to_hex(k) || 'x' END),
            'symptoms', b.document -> 'symptoms',
            'codes', d.document -> 'codes'),
        a.document #>> '{unit,kind}', a.document #>> '{unit,family}',
        a.document #>> '{vehicle,make}', a.document #>> '{vehicle,model}',
        (a.document #>> '{vehicle,year}')::int, '2026-05-01', '{}', '{}', '{}', ''
    FROM generate_series(%(first)s::bigint, %(last)s::bigint) k
    JOIN drawn a ON a.n = k %% %(drawn)s
    JOIN drawn b ON b.n = (k * 7919 + k / 3000 * 31) %% %(drawn)s
    JOIN drawn c ON c.n = (k * 104729 + k / 3000 * 17) %% %(drawn)s
    JOIN drawn d ON d.n = (k * 1299709 + k / 3000 * 13) %% %(drawn)s
"""


def draw():
    from casebook.cases.reading import read_case
    from casebook.cases.sharing import share_case
    from casebook.ops.demo.generator import generate

    for shop, data in generate(seed=SEED, shops=SHOPS, cases=DRAWN, today=TODAY).cases:
        case = read_case(data, today=TODAY)
        yield shop, share_case(case, shared_id=uuid.uuid4()).document


def fill(cases):
    """So many shared rows, unless there are some. Their triggers, which look for later visits of
    the same vehicle, are not what is measured."""
    from django.core.management import call_command
    from django.db import connections

    from casebook.ops.roles import ensure_roles
    from casebook.shops.models import Shop

    ensure_roles()
    call_command("migrate", database="owner", verbosity=0)
    with connections["owner"].cursor() as cursor:
        cursor.execute("SELECT count(*) FROM cases_sharedcase")
        if (there := cursor.fetchone()[0]) > 0:
            return there
        shop = Shop.objects.using("owner").create(name="All of them", region="none")
        cursor.execute("SET session_replication_role = replica")
        cursor.execute("CREATE TEMP TABLE drawn (n int, shop int, document jsonb, words text[])")
        for number, (at, document) in enumerate(draw()):
            words = document["complaint"].split()
            values = [number, at, json.dumps(document), words]
            cursor.execute("INSERT INTO drawn VALUES (%s, %s, %s, %s)", values)
        cursor.execute("ANALYZE drawn")
        for first in range(0, cases, BATCH):
            last = min(first + BATCH, cases) - 1
            bounds = {"shop": shop.pk, "first": first, "last": last, "drawn": DRAWN}
            cursor.execute(MULTIPLY, bounds)
            print(f"\r{last + 1} rows", end="", file=sys.stderr, flush=True)
        cursor.execute("ANALYZE cases_sharedcase")
    return cases


def build():
    """Seconds and memory of this process alone, without what is done once."""
    from search.adapter import store
    from search.adapter.building import build_index
    from search.adapter.learning import learn_first
    from search.core.kernel import compile_kernel

    processor = time.process_time()
    learn_first()
    compile_kernel(store.compiled_dir())
    print(f"once: {time.process_time() - processor:.1f} s of processor time to learn and compile")
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    clock, processor = time.perf_counter(), time.process_time()
    cases = build_index()
    clock, processor = time.perf_counter() - clock, time.process_time() - processor
    most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    folder = store.index_dir() / store.current_version()
    size = sum(path.stat().st_size for path in folder.iterdir())
    print(f"{cases} cases: {processor:.1f} s of processor time, {clock:.1f} s by the clock")
    print(f"{processor / cases * 1e6:.0f} us and {size / cases:.0f} bytes on disk a case")
    print(f"at most {most / 2**20:.2f} GiB, {before / 2**20:.2f} of it before")


def main():
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--cases", type=int, default=1_000_000)
    parser.add_argument("--data-dir", type=Path)
    parser.add_argument("--fill-only", action="store_true")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as temporary:
        folder = given.data_dir or Path(temporary)
        folder.mkdir(parents=True, exist_ok=True)
        os.environ["CASEBOOK_DATA_DIR"] = str(folder)
        os.environ.setdefault("DJANGO_SETTINGS_MODULE", "casebook.settings")
        lease = attach_environment(folder)
        import django

        django.setup()
        if given.fill_only:
            fill(given.cases)
        else:
            # In a process of its own: what filling held would count as building's.
            rows = ["--cases", str(given.cases), "--data-dir", str(folder), "--fill-only"]
            subprocess.run([sys.executable, "-m", MODULE, *rows], check=True)
            build()
        if lease is not None:
            lease.close(stop_within_s=10.0)


if __name__ == "__main__":
    main()
