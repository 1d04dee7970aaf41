"""Adjusters whose lives go together by unit; fleets are drawn in ``tests.fleets``."""

from tests.fleets.lives_of_units import main

if __name__ == "__main__":
    main()
