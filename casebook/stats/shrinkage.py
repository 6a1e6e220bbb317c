"""Drawing a small cohort towards the larger ones around it, with their uncertainty kept.

A cohort's fraction p is taken to come from Beta(k m, k (1 - m)): m the mean of the cohorts around
it, k how alike they are. Neither is known, so both are integrated over a fixed grid; plugging in
one best pair makes intervals too narrow.

Prior of the grid: even in m and in 1/sqrt(k), which is p(a, b) ~ (a + b)^(-5/2) for
a = k m, b = k (1 - m). Source: Gelman et al., Bayesian Data Analysis, 3rd ed., section 5.3.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import betainc, betaln, digamma, expit, gammaln

from casebook.stats.log_gamma import LogGammaTable
from casebook.stats.proportions import check_confidence

FloatArray = NDArray[np.float64]

# Cohorts are never believed to be more alike than 400 cases' worth of evidence, nor less than 1.
MEAN_POINTS: Final = 61
STRENGTH_POINTS: Final = 10
LEAST_SPREAD: Final = 0.05

# Grid points that hold less than this share of the likeliest one are left out of an interval.
NEGLIGIBLE: Final = 1e-5
# A quantile is read off a density over the logit: at this many places for each standard deviation,
# out to where less than the tail asked for can lie, and never beyond one in ten million.
PLACES_PER_SD: Final = 6
LEAST_PLACES: Final = 10
END: Final = 16.0


@dataclass(frozen=True)
class Grid:
    """Points of (m, k) and the log of their probability. All shapes (points,)."""

    mean: FloatArray
    strength: FloatArray
    log_weight: FloatArray


@dataclass(frozen=True)
class Shrunk:
    """A cohort's fraction after shrinkage.

    mean, low, high: in (0, 1), never an end. prior_share: how much of it the cohorts around
    contributed, in (0, 1]; 1 where the cohort itself has nothing to say.
    """

    mean: float
    low: float
    high: float
    prior_share: float


def vague_grid(*, mean_points: int = MEAN_POINTS, strength_points: int = STRENGTH_POINTS) -> Grid:
    """The prior before any cohort is seen. Raises ValueError unless both counts are >= 1."""
    return _vague_grid(mean_points, strength_points)


@lru_cache(maxsize=4)
def _vague_grid(mean_points: int, strength_points: int) -> Grid:
    if mean_points < 1 or strength_points < 1:
        raise ValueError("a grid needs at least one point each way")
    # Even in the arc sine: denser where a fraction is near an end.
    edge = np.linspace(0.0, 1.0, mean_points + 1)
    mean = np.square(np.sin(np.pi / 4 * (edge[:-1] + edge[1:])))
    width = np.diff(np.square(np.sin(np.pi / 2 * edge)))
    step = (1.0 - LEAST_SPREAD) / strength_points
    spread = LEAST_SPREAD + step * (np.arange(strength_points) + 0.5)
    m, u = np.meshgrid(mean, spread, indexing="ij")
    weight = np.repeat(width / strength_points, strength_points)
    grid = Grid(m.ravel(), (1 / np.square(u)).ravel(), np.log(weight))
    for values in (grid.mean, grid.strength, grid.log_weight):
        values.flags.writeable = False  # one grid serves every caller
    return grid


def learn(grid: Grid, held: ArrayLike, trials: ArrayLike) -> Grid:
    """The grid after seeing cohorts that lie side by side.

    held, trials: effective numbers per cohort, shape (cohorts,), 0 <= held <= trials; may be
    fractional, may be empty. Raises ValueError otherwise.
    """
    x, n = _checked(held, trials)
    seen = n > 0
    if not seen.any():
        return grid
    return _learn(grid, x[seen], n[seen])


def forget(grid: Grid, held: float, trials: float) -> Grid:
    """The grid as it was before it learned this one cohort: what the others taught.

    Raises ValueError unless 0 <= held <= trials.
    """
    x, n = _checked([held], [trials])
    learned = _log_likelihood(grid, x, n)
    return Grid(grid.mean, grid.strength, _normalised(grid.log_weight - learned))


def _learn(grid: Grid, x: FloatArray, n: FloatArray) -> Grid:
    log_weight = grid.log_weight + _log_likelihood(grid, x, n)
    return Grid(grid.mean, grid.strength, _normalised(log_weight))


def _log_likelihood(grid: Grid, x: FloatArray, n: FloatArray) -> FloatArray:
    """Of cohorts side by side, at every point of the grid; x, n: (cohorts,)."""
    # log Beta(a + x, b + n - x) - log Beta(a, b); the strength alone decides two of the terms.
    usual = _usual_logs() if grid.mean is vague_grid().mean else None
    if usual is not None:
        shared = (usual.strength_logs[:, None] - gammaln(usual.strengths[:, None] + n)).sum(axis=1)
        own = usual.held.sums(x) + usual.failed.sums(n - x)
        return np.asarray(shared[usual.place] + own - len(n) * usual.own_logs, np.float64)
    strengths, place = np.unique(grid.strength, return_inverse=True)
    shared = (gammaln(strengths)[:, None] - gammaln(strengths[:, None] + n)).sum(axis=1)[place]
    a = (grid.strength * grid.mean)[:, None]
    b = (grid.strength * (1 - grid.mean))[:, None]
    own = (gammaln(a + x) + gammaln(b + n - x)).sum(axis=1)
    own -= len(n) * (gammaln(a) + gammaln(b))[:, 0]
    return np.asarray(shared + own, np.float64)


@dataclass(frozen=True)
class _UsualLogs:
    """What every use of the usual grid needs, worked out once. held, failed: log Gamma(a + x) and
    log Gamma(b + x) at its points; own_logs: log Gamma(a) Gamma(b); strengths: the different ones,
    place: of each point among them."""

    held: LogGammaTable
    failed: LogGammaTable
    own_logs: FloatArray
    strengths: FloatArray
    strength_logs: FloatArray
    place: NDArray[np.int64]


@lru_cache(maxsize=1)
def _usual_logs() -> _UsualLogs:
    grid = vague_grid()
    a, b = grid.strength * grid.mean, grid.strength * (1 - grid.mean)
    strengths, place = np.unique(grid.strength, return_inverse=True)
    return _UsualLogs(
        held=LogGammaTable(a),
        failed=LogGammaTable(b),
        own_logs=np.asarray(gammaln(a) + gammaln(b), np.float64),
        strengths=strengths,
        strength_logs=np.asarray(gammaln(strengths), np.float64),
        place=place.astype(np.int64),
    )


def learn_mean(grid: Grid, held: float, trials: float) -> Grid:
    """The grid after seeing the whole whose parts it describes, e.g. a model among whose cases
    the cohort lies: it tells of the mean directly, not as one cohort beside others.

    held, trials: effective numbers, 0 <= held <= trials. Raises ValueError otherwise.
    """
    x, n = _checked([held], [trials])
    told = x[0] * np.log(grid.mean) + (n[0] - x[0]) * np.log1p(-grid.mean)
    return Grid(grid.mean, grid.strength, _normalised(grid.log_weight + told))


def descend(grid: Grid, *, alike: bool = True) -> Grid:
    """The prior one step further down: of the parts of a new cohort.

    Their mean is spread as a new cohort's fraction would be. How alike they are is taken over from
    this step, or starts vague again where `alike` is false.
    The grid must be one that `vague_grid` or a function here made.
    """
    base = vague_grid()
    if grid.mean is not base.mean:
        means, strengths = len(np.unique(grid.mean)), len(np.unique(grid.strength))
        base = vague_grid(mean_points=means, strength_points=strengths)
    else:
        means, strengths = MEAN_POINTS, STRENGTH_POINTS
    weight = np.exp(_normalised(grid.log_weight))
    new_mean = _densities(means, strengths) @ weight
    log_weight = base.log_weight + np.log(np.repeat(new_mean, strengths) + 1e-300)
    if alike:
        # The grid runs through the strengths within each mean; vague is even over them.
        of_strength = weight.reshape(means, strengths).sum(axis=0)
        log_weight = log_weight + np.log(np.tile(of_strength, means) + 1e-300)
    return Grid(base.mean, base.strength, _normalised(log_weight))


def told_mean(grid: Grid, mean: float, worth: float, *, doubt: float) -> Grid:
    """A prior whose mean somebody else tells, about as sure as `worth` cases of it would make it.

    grid: what cohorts taught of how alike parts are, which is taken over with the probability
    1 - doubt; else that starts vague: the told mean may lie further off than cohorts lie apart.
    Such a mixture gives way where the cases contradict it. mean: in (0, 1); worth: > 0; doubt: in
    [0, 1]. Raises ValueError otherwise.
    Source of the mixture: Schmidli et al. 2014, Biometrics 70:1023 (from memory, not verified).
    """
    if not (0 < mean < 1 and worth > 0 and 0 <= doubt <= 1):
        raise ValueError("need a mean in (0, 1), a positive worth and a doubt in [0, 1]")
    means, strengths = np.unique(grid.mean), np.unique(grid.strength)
    weight = np.exp(_normalised(grid.log_weight)).reshape(len(means), len(strengths))
    mixed = (1 - doubt) * weight.sum(axis=0) + doubt / len(strengths)
    base = vague_grid(mean_points=len(means), strength_points=len(strengths))
    log_weight = base.log_weight + np.log(np.tile(mixed, len(means)) + 1e-300)
    return learn_mean(Grid(base.mean, base.strength, log_weight), worth * mean, worth)


def shrink(grid: Grid, held: float, trials: float, *, coverage: float = 0.9) -> Shrunk:
    """The fraction of one more cohort, given the grid that its neighbours taught.

    held, trials: its effective numbers, 0 <= held <= trials; trials 0 gives the prior alone.
    coverage: of the equal-tailed interval. Raises ValueError otherwise.
    The prior counts as many cases as a beta distribution of its mean and variance would.
    """
    check_confidence(coverage)
    x, n = _checked([held], [trials])
    worth = prior_worth(grid)
    posterior = _learn(grid, x, n) if n[0] > 0 else grid
    weight = np.exp(_normalised(posterior.log_weight))
    a = grid.strength * grid.mean + x[0]
    b = grid.strength * (1 - grid.mean) + n[0] - x[0]
    kept = weight > NEGLIGIBLE * weight.max()
    tail = (1 - coverage) / 2
    low, high = _mixture_quantiles(
        weight[kept] / weight[kept].sum(), a[kept], b[kept], (tail, 1 - tail)
    )
    return Shrunk(
        mean=float(weight @ (a / (a + b))),
        low=low,
        high=high,
        prior_share=worth / (worth + float(n[0])) if n[0] > 0 else 1.0,
    )


def shrunk_means(grid: Grid, held: ArrayLike, trials: ArrayLike) -> FloatArray:
    """The mean of `shrink` for many cohorts at once, each the only one more.

    held, trials: effective numbers, shape (cohorts,), 0 <= held <= trials. Returns their shape.
    Raises ValueError otherwise.
    """
    x, n = (values[:, None] for values in _checked(held, trials))
    a, b = grid.strength * grid.mean, grid.strength * (1 - grid.mean)
    if grid.mean is vague_grid().mean:
        usual = _usual_logs()
        learned = usual.held.each(x[:, 0]) + usual.failed.each((n - x)[:, 0]) - usual.own_logs
        learned += (usual.strength_logs - gammaln(usual.strengths + n))[:, usual.place]
    else:
        learned = betaln(a + x, b + n - x) - betaln(a, b)
    log_weight = grid.log_weight + learned
    weight = np.exp(log_weight - log_weight.max(axis=1, keepdims=True))
    means = (a + x) / (grid.strength + n)
    return np.asarray((weight * means).sum(axis=1) / weight.sum(axis=1), np.float64)


def prior_worth(grid: Grid) -> float:
    """How many cases' worth of evidence the grid is on a new cohort; about 1 when vague."""
    mean, variance = _moments(grid)
    return max(mean * (1 - mean) / variance - 1, 0.0)


def _moments(grid: Grid) -> tuple[float, float]:
    """Mean and variance of a new cohort's fraction."""
    weight = np.exp(_normalised(grid.log_weight))
    mean = float(weight @ grid.mean)
    second = grid.mean * (grid.strength * grid.mean + 1) / (grid.strength + 1)
    return mean, float(weight @ second) - mean**2


def _mixture_quantiles(
    weight: FloatArray, a: FloatArray, b: FloatArray, at: tuple[float, float]
) -> tuple[float, float]:
    """Quantiles of a mixture of beta distributions, shapes (parts,), to about 1e-4.

    Over the logit the density is smooth and bounded for all parameters.
    """
    logit = digamma(a) - digamma(b)
    centre = float(weight @ logit)
    # Only decides how far to look: 1/z + 1/z^2 is a little more than the trigamma function.
    variance = 1 / a + 1 / a**2 + 1 / b + 1 / b**2 + np.square(logit - centre)
    sd = float(np.sqrt(weight @ variance))
    # Chebyshev's inequality would ask for more; unimodal tails over the logit fall exponentially.
    reach = 4.0 - np.log10(min(at[0], 1 - at[1]))
    first, last = max(centre - reach * sd, -END), min(centre + reach * sd, END)
    # A tail towards an end widens sd without making the rest any smoother.
    step = min(sd, 1.0) / PLACES_PER_SD
    places = np.linspace(first, last, max(int((last - first) / step), LEAST_PLACES))
    log_p, log_q = -np.logaddexp(0, -places), -np.logaddexp(0, places)
    parameters = np.stack([a, b, -betaln(a, b)], axis=1)
    exponent = parameters @ np.stack([log_p, log_q, np.ones(len(places))])
    # Numbers below the normal range are slow to work with and add nothing.
    density = weight @ np.exp(np.maximum(exponent, -80.0, out=exponent), out=exponent)
    # Out there lies next to nothing, unless the range was cut off or the tail is a heavy one.
    outside = density[0] * sd > NEGLIGIBLE
    below = float(weight @ betainc(a, b, expit(first))) if outside else 0.0
    step = float(places[1] - places[0])
    slope = np.gradient(density, step, edge_order=2)
    share = below + step * np.concatenate([[0.0], np.cumsum((density[1:] + density[:-1]) / 2)])
    # What straight lines between the places leave out (Euler and Maclaurin).
    share -= step**2 / 12 * (slope - slope[0])
    low, high = (float(expit(_place_of(p, share, density, places))) for p in at)
    return low, high


def _place_of(target: float, share: FloatArray, density: FloatArray, places: FloatArray) -> float:
    """Where the share is reached, the density being straight between two places."""
    after = int(np.searchsorted(share, target).clip(1, len(share) - 1))
    start, end = float(density[after - 1]), float(density[after])
    rise = float(share[after] - share[after - 1])
    if rise <= 0 or start + end <= 0:
        return float(places[after])
    # Of the area between the two, in units of their distance.
    wanted = (target - float(share[after - 1])) / rise * (start + end) / 2
    root = float(np.sqrt(max(start**2 + 2 * (end - start) * wanted, 0.0)))
    part = min(max(2 * wanted / (start + root), 0.0), 1.0) if start + root > 0 else 0.0
    return float(places[after - 1] + part * (places[after] - places[after - 1]))


def _normalised(log_weight: FloatArray) -> FloatArray:
    """Of probabilities that sum to 1."""
    top = log_weight.max()
    total = float(np.exp(log_weight - top).sum())
    return np.asarray(log_weight - (top + np.log(total)), np.float64)


@lru_cache(maxsize=4)
def _densities(mean_points: int, strength_points: int) -> FloatArray:
    """Beta density at each mean (rows) for each point of the grid (columns)."""
    grid = vague_grid(mean_points=mean_points, strength_points=strength_points)
    a, b = grid.strength * grid.mean, grid.strength * (1 - grid.mean)
    m = np.unique(grid.mean)[:, None]
    density: FloatArray = np.exp((a - 1) * np.log(m) + (b - 1) * np.log1p(-m) - betaln(a, b))
    return density


def _checked(held: ArrayLike, trials: ArrayLike) -> tuple[FloatArray, FloatArray]:
    x, n = np.broadcast_arrays(np.asarray(held, float), np.asarray(trials, float))
    if x.ndim != 1 or not np.all((x >= 0) & (x <= n) & np.isfinite(n)):
        raise ValueError("need 0 <= held <= trials, one row each")
    return x, n
