"""Learns from resolved cases what makes two cases alike."""

from __future__ import annotations

from argparse import ArgumentParser
from typing import Any

from django.core.management.base import CommandError

from casebook.ops.console import CasebookCommand, progress
from casebook.outcomes.forecast_learning import learn_forecast
from casebook.vocabulary import load_vocabulary
from search.adapter import learning
from search.adapter.learned import list_learned
from search.core.design import WEIGHTS
from search.core.profile_fitting import KindReport
from search.core.tuning import Gain, Tuned

LEGEND = """\
Score: log chance that a neighbour drawn by similarity was resolved alike, plus the log score with
which neighbours foretell that service holds; per case, of shops that nothing was learned from.
In brackets: intervals over shops, 95 % (99 % of what would cure it)."""


class Command(CasebookCommand):
    help = (
        "Learns what would cure a case, and how much each block of a comparison weighs, from this "
        "installation's resolved cases, shops left out; puts it in force and says what was gained."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        choice = parser.add_mutually_exclusive_group()
        choice.add_argument(
            "--hand-set", action="store_true", help="go back to the weights set by hand"
        )
        choice.add_argument("--use", type=int, metavar="ID", help="put an earlier one in force")
        choice.add_argument("--list", action="store_true", help="what was learned so far")
        parser.add_argument("--seed", type=int, default=1, help="of the samples (%(default)s)")

    def handle(self, *args: Any, **options: Any) -> None:
        if options["list"]:
            self._list()
        elif options["hand_set"]:
            row = learning.set_back()
            self.stdout.write(f"Weights as set by hand are in force ({row.pk}).")
        elif options["use"] is not None:
            if not learning.use_learned(options["use"]):
                raise CommandError(f"Nothing learned has the number {options['use']}.")
            self.stdout.write(f"{options['use']} is in force; the index is built anew for it.")
        else:
            self._learn(options["seed"])

    def _learn(self, seed: int) -> None:
        with progress("Steps of learning") as shown:
            learned = learning.learn(seed=seed, on_step=lambda _: shown.step())
        if learned is None:
            raise CommandError("Another process is learning; wait for it.")
        self.stdout.write(f"Learned from {learned.cases:,} resolved cases: {learned.id}.\n")
        self._print_kinds(learned.fitted.kinds)
        self._print_weights(learned.tuned)
        self.stdout.write(f"\n{LEGEND}")
        self._learn_forecast(seed)

    def _learn_forecast(self, seed: int) -> None:
        """It reads what the new model of cures foretells, so it is learned after that."""
        row = learn_forecast(anew=True, seed=seed)
        if row is None:
            return
        said = row.report["why"] or "in force"
        if row.report["gain"] is not None:
            mean, low, high = row.report["gain"]
            said = f"log loss below the kinds' rates {mean:.3f} ({low:.3f}–{high:.3f}); {said}"
        self.stdout.write(
            f"\nWhether repairs hold, foretold from {row.report['cases']:,} followed cases: {said}."
        )

    def _print_kinds(self, kinds: tuple[KindReport, ...]) -> None:
        units = load_vocabulary().units
        self.stdout.write(
            f"\n{'What would cure it':36}{'cases':>8}{'shops':>7}{'cures':>7}  log score gained"
        )
        for one in kinds:
            label = units[one.kind].label if one.kind in units else one.kind
            said = f"{_written(Gain(one.gain, one.low, one.high))}" if one.used else one.why
            self.stdout.write(f"{label:36}{one.cases:8,}{one.shops:7,}{one.classes:7}  {said}")

    def _print_weights(self, tuned: Tuned) -> None:
        self.stdout.write(f"\n{'Block':16}{'set by hand':>12}{'learned':>12}{'in force':>12}")
        proposed = tuned.proposed or {}
        for block, weight in WEIGHTS.items():
            learned = f"{proposed[block]:.3f}" if block in proposed else "–"
            self.stdout.write(f"{block:16}{weight:12.3f}{learned:>12}{tuned.weights[block]:12.3f}")
        if tuned.gain is not None:
            self.stdout.write(
                f"\nScore {tuned.score_before:.3f} -> {tuned.score_after:.3f}, gained "
                f"{_written(tuned.gain)} on {tuned.queries:,} held-out cases of {tuned.shops} shops"
            )
        if tuned.ranking is not None:
            self.stdout.write(f"nDCG@10 of cases resolved alike: {_written(tuned.ranking)}")
        if tuned.without_cures is not None:
            self.stdout.write(f"Without the block cures: {_written(tuned.without_cures)}")
        if not tuned.learned:
            self.stdout.write(f"The weights stay as set by hand: {tuned.why}.")

    def _list(self) -> None:
        for row in list_learned():
            state = "in force" if row.is_active else ""
            self.stdout.write(
                f"{row.pk:6} {row.learned_at:%Y-%m-%d %H:%M} {row.source:8} "
                f"{row.resolved_cases:9,} cases  {'own weights' if row.weights else 'hand-set':12} "
                f"{'with' if row.model_fingerprint else 'without'} model  {state}".rstrip()
            )


def _written(gain: Gain) -> str:
    return f"{gain.mean:+.3f} ({gain.low:.3f} to {gain.high:.3f})"
