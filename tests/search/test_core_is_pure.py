import subprocess
import sys


def test_the_core_loads_without_django_numba_or_the_rest_of_casebook():
    program = (
        "import search.core, sys; "
        "print(*sorted({name.split('.')[0] for name in sys.modules} "
        "& {'django', 'casebook', 'celery', 'numba', 'sklearn', 'psycopg'}))"
    )
    run = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True
    )
    assert run.stdout.strip() == ""
