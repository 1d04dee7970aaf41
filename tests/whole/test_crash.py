"""Killed anywhere, run again, same result: what was published readable all the while.

``tests/bench/bench_crash.py`` does the same at more than 200 points.
"""

import random

import pytest

from pipeline.run import STAGES
from tests.crashes import killer, scene

TIMED = 9


@pytest.fixture(scope="module")
def fleet(tmp_path_factory):
    base = tmp_path_factory.mktemp("crash")
    with killer(base) as runs:
        yield scene(base, runs)


def points_of(fleet):
    """Denser where a kill costs least, early, and at the last steps, where files change place."""
    spread = [1 + (i * i * (fleet.points - 50)) // 121 for i in range(11)]
    last = [fleet.points - 42 + 10 * i for i in range(5)]
    points = spread + last[:-1]
    random.Random(8).shuffle(points)
    # Killed when all is in place, a run leaves the next one less to do, and fewer points.
    return [*points, last[-1]]


pytestmark = pytest.mark.proof


def test_killed_at_statement_boundaries_a_run_made_again_leaves_what_an_undisturbed_one_does(
    fleet, tmp_path
):
    points = points_of(fleet)
    ended = fleet.chain(tmp_path / "out", [{"point": p} for p in points])
    assert [each.code for each in ended] == [-9] * len(points)
    # Fast stages may fall between two points here; the benchmark meets them all.
    assert len({each.stage for each in ended}) >= len(STAGES) // 2


def test_killed_at_any_time_likewise(fleet, tmp_path):
    times = random.Random(9)
    kills = [{"after_s": times.uniform(0.05, fleet.seconds * 0.6)} for _ in range(TIMED)]
    ended = fleet.chain(tmp_path / "out", kills)
    # A quick run may end before its time is up.
    assert {each.code for each in ended} <= {-9, 0}
    assert sum(each.code == -9 for each in ended) >= TIMED // 2
