"""Another web process, reduced to its search: a complaint per line in, found ids per line out."""

from __future__ import annotations

import sys


def main() -> None:
    import django

    django.setup()
    from casebook.cases.reading import read_search
    from casebook.cases.services import today
    from search import adapter

    print("ready", flush=True)
    for line in sys.stdin:
        document = read_search({"complaint": line.strip()}, today=today())
        result = adapter.search_cases(document=document, cluster=0)
        print(*sorted(str(hit.id) for hit in result.hits), flush=True)


if __name__ == "__main__":
    main()
