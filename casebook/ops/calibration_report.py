"""The judgement on the outlooks in words and tables, for a terminal or as plain values."""

from __future__ import annotations

import math
from dataclasses import asdict
from typing import Any

from casebook.outcomes.calibration import Calibration

LEGEND = """\
Brier: mean squared distance of what was stated and what came, log loss likewise, lower is better
(Brier .25 is always saying half). Calibration error: mean distance of stated and found, over
tenths; by chance alone so many cases would show that much even if every forecast were right. Cases
lost before the horizon are not judged, and the others count for them. Whether intervals cover the
truth can't be seen on real cases."""


def describe_calibration(calibration: Calibration) -> str:
    """Lines for a terminal."""
    days = f"{calibration.horizon_days:g} days"
    if not calibration.rows:
        return (
            f"Outlooks can't be judged yet: {calibration.judged:,} cases with a known outcome at "
            f"{days} of {calibration.shops} shops."
        )
    lines = [
        f"Outlooks at {days}: {calibration.asked:,} cases asked the cases of other shops, "
        f"{calibration.judged:,} of {calibration.shops} shops are judged; "
        f"{calibration.not_said:.0%} had no outlook.",
        "",
        f"{'':28}{'Brier':>8}{'log loss':>10}{'calibration error':>19}   Brier above Casebook's",
    ]
    for row in calibration.rows:
        behind = "" if row.behind is None else "{:+.4f} ({:+.4f} to {:+.4f})".format(*row.behind)
        lines.append(
            f"{row.way:28}{row.brier:8.4f}{row.log_loss:10.4f}{row.calibration_error:19.3f}"
            f"   {behind}".rstrip()
        )
    lines += [f"{'by chance alone':46}{calibration.by_chance:19.3f}", ""]
    if calibration.reliability is not None:
        table = calibration.reliability
        lines.append(f"{'stated':>16}{'share':>8}{'mean':>8}{'held':>8}")
        for place, share in enumerate(table.share.tolist()):
            if share > 0:
                low, high = table.edges[place], table.edges[place + 1]
                lines.append(
                    f"{f'{low:.1f} to {high:.1f}':>16}{share:8.3f}{table.stated[place]:8.3f}"
                    f"{table.found[place]:8.3f}"
                )
    return "\n".join([*lines, "", LEGEND])


def calibration_document(calibration: Calibration) -> dict[str, Any]:
    """Plain values for JSON; None where nothing can be said."""
    document = asdict(calibration)
    table = calibration.reliability
    document["reliability"] = None
    if table is not None:
        document["reliability"] = [
            {
                "from": float(table.edges[place]),
                "to": float(table.edges[place + 1]),
                "share": float(table.share[place]),
                "stated": _known(table.stated[place]),
                "held": _known(table.found[place]),
            }
            for place in range(len(table.share))
        ]
    for row in document["rows"]:
        if row["behind"] is not None:
            row["behind"] = dict(zip(("mean", "low", "high"), row["behind"], strict=True))
    return document


def _known(value: float) -> float | None:
    return None if math.isnan(value) else float(value)
