"""How well this installation's search finds what it should."""

from __future__ import annotations

from argparse import ArgumentParser, ArgumentTypeError
from typing import Any

from casebook.ops.console import CasebookCommand, progress
from casebook.vocabulary import load_vocabulary
from search.adapter.evaluation import Figure, Quality, evaluate_search

LEGEND = """\
nDCG@10: worth of the ten best, same resolving actions on the same unit kind 2, same level 0.25,
discounted by log2(rank + 1), as a share of the best order. P@10: share of the ten with the same
actions. MRR: 1 / rank of the first of them. In brackets: 95 % intervals over shops."""


class Command(CasebookCommand):
    help = (
        "Measures the search on this installation's own resolved cases, each looked for among "
        "the cases of all other shops, beside TF-IDF cosine and a look-up by code."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--cases", type=_count, default=20_000, help="at most (%(default)s)")
        parser.add_argument("--queries", type=_count, default=1_000, help="at most (%(default)s)")
        parser.add_argument("--seed", type=int, default=1, help="of the samples (%(default)s)")

    def handle(self, *args: Any, **options: Any) -> None:
        with progress("Cases read and queries asked") as shown:
            quality = evaluate_search(
                most_cases=options["cases"],
                most_queries=options["queries"],
                seed=options["seed"],
                on_step=shown.step,
            )
        if not quality.rows:
            self.stdout.write(
                f"Nothing to measure yet: {quality.cases:,} resolved cases of {quality.shops} "
                "shops, none of which another shop resolved alike."
            )
            return
        self._print(quality)

    def _print(self, quality: Quality) -> None:
        self.stdout.write(
            f"{quality.cases:,} resolved cases of {quality.shops} shops.\n\n"
            f"{'':36}{'':16}{'queries':>8}{'shops':>7}"
            f"{'nDCG@10':>20}{'P@10':>20}{'MRR':>20}"
        )
        units = load_vocabulary().units
        before = None
        for row in quality.rows:
            label = units[row.unit_kind].label if row.unit_kind in units else row.unit_kind
            label = label or "All"
            figures = (row.ndcg, row.precision, row.reciprocal_rank)
            self.stdout.write(
                f"{label if label != before else '':36}{row.way:16}{row.queries:8,}"
                f"{row.shops:7,}" + "".join(f"{_written(figure):>20}" for figure in figures)
            )
            before = label
        self.stdout.write(f"\n{LEGEND}")


def _written(figure: Figure) -> str:
    return f"{figure.mean:.3f} ({figure.low:.3f}–{figure.high:.3f})".replace("0.", ".")


def _count(text: str) -> int:
    if not text.isdecimal() or int(text) < 1:
        raise ArgumentTypeError(f"{text!r} is not a number of at least 1")
    return int(text)
