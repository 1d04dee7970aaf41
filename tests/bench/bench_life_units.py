"""Adjusters' lives that go together by unit; the fleets stand in ``tests/fleets/lives_of_units``."""

from tests.fleets.lives_of_units import main

if __name__ == "__main__":
    main()
