"""How long vehicles last: a published schedule of how many are still on the road at each age.

Source: Lu 2006, Vehicle Survivability and Travel Mileage Schedules, NHTSA, DOT HS 809 952; from
registrations of 1977 to 2002 in the United States. The column for cars was checked against
a transcription; the one for light trucks is from memory, not verified, but reproduces the report's
lifetime miles and discount factors.

Vehicles last longer today: Greene and Leard 2024 (Transportation Research A) put the median life
in 2020 near 17 years for cars, 20 for vans and 25 for pickups, against 13 to 14 here. It is a
default, to be overridden by whoever knows the vehicle.
"""

from __future__ import annotations

from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]
Body = Literal["car", "light_truck"]

BODIES: Final = ("car", "light_truck")
MONTHS_A_YEAR: Final = 12.0

# Share still on the road at the end of each year of age, from the first.
SURVIVING: Final[dict[str, tuple[float, ...]]] = {
    "car": (
        .9900, .9831, .9731, .9593, .9413, .9188, .8918, .8604, .8252, .7866, .7170, .6125, .5094,
        .4142, .3308, .2604, .2028, .1565, .1200, .0916, .0696, .0527, .0399, .0301, .0227,
    ),
    "light_truck": (
        .9741, .9603, .9420, .9190, .8913, .8590, .8226, .7827, .7401, .6956, .6501, .6042, .5517,
        .5009, .4522, .4062, .3633, .3236, .2873, .2542, .2244, .1975, .1735, .1522, .1332, .1165,
        .1017, .0887, .0773, .0673, .0586, .0509, .0443, .0385, .0334, .0290,
    ),
}  # fmt: skip


def share_surviving(age_years: ArrayLike, body: Body) -> FloatArray:
    """Share of new vehicles still on the road at an age, linear between whole years.

    age_years: any shape, >= 0. Beyond the schedule the last year's rate of loss goes on.
    Returns the same shape, in (0, 1]. Raises ValueError on a negative age or an unknown body.
    """
    age = np.asarray(age_years, float)
    if body not in SURVIVING:
        raise ValueError(f"body must be one of {', '.join(BODIES)}, got {body!r}")
    if not np.all((age >= 0) & np.isfinite(age)):
        raise ValueError("ages must be finite and >= 0")
    table = np.array([1.0, *SURVIVING[body]])
    end = len(table) - 1
    within = np.interp(age, np.arange(len(table)), table)
    beyond = table[-1] * (table[-1] / table[-2]) ** (age - end)
    return np.asarray(np.where(age <= end, within, beyond), np.float64)


def expected_months(age_years: float, months: ArrayLike, body: Body) -> FloatArray:
    """How many of the next `months` a vehicle of that age is on average still on the road.

    months: any shape, >= 0. Returns the same shape, from 0 to `months`.
    Raises ValueError as `share_surviving` does.
    """
    asked = np.asarray(months, float)
    if not np.all((asked >= 0) & np.isfinite(asked)):
        raise ValueError("months must be finite and >= 0")
    steps = np.arange(int(np.ceil(asked.max(initial=0.0))) + 1, dtype=np.float64)
    share = share_surviving(age_years + steps / MONTHS_A_YEAR, body)
    share = share / share[0]
    # The area under the curve, month by month.
    area = np.concatenate([[0.0], np.cumsum((share[1:] + share[:-1]) / 2)])
    return np.asarray(np.interp(asked, steps, area), np.float64)
