"""The blocks a case is compared by. Each says how it reads a case and how it explains itself.

A `Bag` is compared by cosine, an `ItemBlock` over what the query has (the package's docstring
gives the formulas). Adding one: a class here, a line in `make_blocks`, a weight and a credit in
`search.core.design`, a test.
"""

from __future__ import annotations

from search.core.blocks.cures import Cures
from search.core.blocks.evidence import Codes, Findings, Symptoms
from search.core.blocks.text import Letters, WordPairs, Words
from search.core.blocks.vehicle import Age, Odometer, Unit, Vehicle
from search.core.design import Design
from search.core.reading import Block


def make_blocks(design: Design) -> tuple[Block, ...]:
    """All blocks, in the order in which their terms are added up and their parts shown."""
    read: tuple[Block, ...] = (
        Words(),
        WordPairs(),
        Letters(design.letter_group_size),
        Codes(),
        Symptoms(),
        Findings(design.scales, design.neighbour_alikeness),
        Unit(),
        Vehicle(),
        Age(design.age_centres_years),
        Odometer(design.odometer_centres_km),
    )
    return read if design.cures is None else (*read, Cures(design.cures, read))
