"""What would probably cure it: the learned block."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from search.core.profile import CureModel
from search.core.reading import Bag, Block, Evidence, Feature, Item, ItemBlock, View


class Cures(ItemBlock):
    """Cases that look different and would be cured by the same work.

    The profiles of past cases are made for all of a segment at once (`CureModel.profiles`), so
    `features` gives nothing. A case of a unit kind without a model is silent here.
    """

    name = "cures"
    part = "likely_cure"
    told_from = 0.5

    def __init__(self, model: CureModel, others: Sequence[Block]) -> None:
        self.model = model
        self._others = others

    @classmethod
    def key_of(cls, name: str) -> str:
        """The stored feature for a column of the model's profiles."""
        return f"{cls.name}:{name}"

    def features(self, view: View) -> Iterator[Feature]:
        return iter(())

    def evidence(self, case: Mapping[str, Any]) -> Evidence:
        return ()

    def slots(self, view: View) -> list[str]:
        return []  # set together with the profiles

    def items(self, view: View) -> list[Item]:
        return [
            Item(
                said=asked.cure,
                weight=(weight := _mean_square(asked.probes, self.model.folds)),
                # Under each fold's model the products of the two profiles add up to the cosine.
                probes=tuple((self.key_of(name), value / weight) for name, value in asked.probes),
                slot="cures",
            )
            for asked in self.model.ask(self.raw(view), view.text("unit_kind"))
        ]

    def raw(self, view: View) -> dict[str, float]:
        """What the model foretells from."""
        return {name: value for _, (name, value, _) in raw_features(self._others, view)}


def raw_features(blocks: Sequence[Block], view: View) -> Iterator[tuple[int, Feature]]:
    """What blocks read in a case, before any scaling, with the number of the block."""
    for number, block in enumerate(blocks):
        if isinstance(block, Bag):
            for name, strength in block.strengths(view).items():
                yield number, Feature(name, strength)
        elif isinstance(block, ItemBlock):
            for feature in block.features(view):
                yield number, feature


def _mean_square(probes: Sequence[tuple[str, float]], folds: int) -> float:
    """Shares of the cures, which add up to 1 as the profiles have unit length."""
    return sum(value * value for _, value in probes) / folds
