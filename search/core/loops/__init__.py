"""The loops of the search, as numba compiles them; `search.core.kernel` says when.

Plain Python that numba understands: `compile_with(numba.njit)` puts the compiled functions in the
place of these. What is exact and what is only a bound:

- A case's similarity is summed in float64 in the order of the query's terms (`similarity_of`, from
  the case's own row; `best_plain`, from the postings), so that every path has the same last bit.
- To find the few cases worth that, `best_pruned` gathers float32 sums, a block of cases at a time,
  the most telling terms first. What the terms left out could add is bounded: by block of the
  similarity, by the largest value of each term, and by Cauchy-Schwarz (the values of one block of
  one case have a largest length). A case whose sum and bound stay under the worst of the best so
  far is left alone. Blocks of cases go best first; like cases lie together, so the rest of them
  are often not looked at at all.

Source: the order of terms and the early stop are those of MaxScore, Turtle & Flood 1995, Inf.
Process. Manag. 31:831 (from memory, not verified).
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

from search.core.loops import bounding, one_case, plain, pruned, ranking

_MODULES = (ranking, one_case, plain, bounding, pruned)
_FUNCTIONS: tuple[Callable[..., Any], ...] = (
    ranking.key_of,
    ranking.keep_best,
    ranking.raise_floor,
    one_case.passes,
    one_case.credit_by_slots,
    one_case.place_of,
    one_case.make_table,
    one_case.similarity_of,
    plain.best_plain,
    bounding.group_terms,
    bounding.bound_groups,
    bounding.find_blocks,
    bounding.make_plan,
    bounding.bound_blocks,
    pruned.add_postings,
    pruned.collect,
    pruned.find_floor,
    pruned.make_room,
    pruned.add_block,
    pruned.best_pruned,
)


_compiled: dict[str, Any] = {}


def compile_with(jit: Callable[[Callable[..., Any]], Any]) -> None:
    """Put compiled functions in the place of all of these; `jit` is numba's decorator."""
    _compiled.update({function.__name__: jit(function) for function in _FUNCTIONS})
    use_compiled()


def use_compiled() -> None:
    _use(_compiled)


def use_plain_python() -> None:
    """Undo `compile_with`, until `use_compiled`."""
    _use({function.__name__: function for function in _FUNCTIONS})


def _use(functions: dict[str, Any]) -> None:
    for module in _MODULES:
        for name in functions.keys() & vars(module).keys():
            setattr(module, name, functions[name])


def fingerprint() -> str:
    """Of the code: what was compiled from other code must not be found in a cache, and numba
    looks at one file at a time."""
    sources = sorted(Path(__file__).parent.glob("*.py"))
    return hashlib.sha256(b"".join(path.read_bytes() for path in sources)).hexdigest()[:16]
