"""How well this installation's search finds what it should, and whether its outlooks come true."""

from __future__ import annotations

import json
from argparse import ArgumentParser, ArgumentTypeError
from dataclasses import asdict
from typing import Any

from casebook.ops.calibration_report import calibration_document, describe_calibration
from casebook.ops.console import CasebookCommand, progress
from casebook.outcomes.evaluation import evaluate_outlooks
from casebook.vocabulary import load_vocabulary
from search.adapter.evaluation import Figure, Quality, QualityRow, evaluate_search

LEGEND = """\
nDCG@10: worth of the ten best, same resolving actions on the same unit kind 2, same level 0.25
(linear gain), discounted by log2(rank + 1), as a share of the best order. P@5, P@10: share of the
first five and ten with the same actions. MRR: 1 / rank of the first of them. ahead: by how much
Casebook's nDCG@10 is above. In brackets: 95 % intervals over shops. The asking shop's cases are
searched only where it says so."""
MEASURES = {
    "ndcg_10": "nDCG@10",
    "precision_5": "P@5",
    "precision_10": "P@10",
    "reciprocal_rank": "MRR",
    "ahead": "ahead",
}


class Command(CasebookCommand):
    help = (
        "Measures the search on this installation's own resolved cases, each looked for among "
        "the cases of other shops, beside BM25, TF-IDF cosine, Gower's coefficient and a look-up "
        "by code; and whether what the outlooks stated came true."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--cases", type=_count, default=20_000, help="at most (%(default)s)")
        parser.add_argument("--queries", type=_count, default=1_000, help="at most (%(default)s)")
        parser.add_argument("--seed", type=int, default=1, help="of the samples (%(default)s)")
        parser.add_argument("--json", action="store_true", help="print a JSON document")

    def handle(self, *args: Any, **options: Any) -> None:
        with progress("Cases read and queries asked") as shown:
            quality = evaluate_search(
                most_cases=options["cases"],
                most_queries=options["queries"],
                seed=options["seed"],
                on_step=shown.step,
            )
            calibration = evaluate_outlooks(
                most_cases=options["cases"],
                most_queries=options["queries"],
                seed=options["seed"],
                on_step=shown.step,
            )
        if options["json"]:
            document = as_document(quality) | {"outlooks": calibration_document(calibration)}
            self.stdout.write(json.dumps(document, indent=2))
            return
        if quality.rows:
            self._print(quality)
        else:
            self.stdout.write(
                f"Nothing to measure yet: {quality.cases:,} resolved cases of {quality.shops} "
                "shops, none of which another shop resolved alike."
            )
        self.stdout.write(f"\n{describe_calibration(calibration)}")

    def _print(self, quality: Quality) -> None:
        self.stdout.write(
            f"{quality.cases:,} resolved cases of {quality.shops} shops.\n\n"
            f"{'':32}{'':15}{'queries':>8}{'shops':>7}"
            + "".join(f"{head:>20}" for head in MEASURES.values())
        )
        before = ""
        for row in quality.rows:
            label = _label(row)
            figures = (getattr(row, name) for name in MEASURES)
            self.stdout.write(
                f"{label if label != before else '':32}{row.way:15}{row.queries:8,}"
                f"{row.shops:7,}" + "".join(f"{_written(figure):>20}" for figure in figures)
            )
            before = label
        self.stdout.write(f"\n{LEGEND}")


def as_document(quality: Quality) -> dict[str, Any]:
    """For --json: figures as {mean, low, high}."""
    rows = []
    for row in quality.rows:
        plain = asdict(row)
        for name in MEASURES:
            figure: Figure | None = getattr(row, name)
            plain[name] = figure._asdict() if figure else None
        rows.append(plain)
    return {"cases": quality.cases, "shops": quality.shops, "rows": rows}


def _label(row: QualityRow) -> str:
    if row.group == "unit_kind":
        units = load_vocabulary().units
        return units[row.name].label if row.name in units else row.name
    return {
        "all": "All",
        "own_shop": "All, own shop searched too",
        "evidence": f"{row.name} pieces of evidence",
    }[row.group]


def _written(figure: Figure | None) -> str:
    if figure is None:
        return ""
    return f"{figure.mean:.3f} ({figure.low:.3f}–{figure.high:.3f})".replace("0.", ".")


def _count(text: str) -> int:
    if not text.isdecimal() or int(text) < 1:
        raise ArgumentTypeError(f"{text!r} is not a number of at least 1")
    return int(text)
