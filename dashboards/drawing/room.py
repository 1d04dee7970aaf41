"""How much of a fleet one page carries."""

from dataclasses import dataclass

MOST_BYTES = 3_950_000  # of a page; beyond 4 MB it opens slowly and mails badly


@dataclass(frozen=True, slots=True)
class Room:
    """Room on the page: lines of the list of flags, wheel ends to be found, readings drawn."""

    flags: int
    of_a_depot: int  # each depot's most urgent are listed whatever the others' priorities
    listed: int  # rows of each list of what is due
    wheel_ends: int
    readings: int


# The first that keeps the page under its size is used. Long names and many selections take room.
ROOMS = (
    Room(flags=700, of_a_depot=30, listed=3_000, wheel_ends=5_400, readings=42_000),
    Room(flags=700, of_a_depot=30, listed=800, wheel_ends=5_400, readings=42_000),
    Room(flags=350, of_a_depot=15, listed=800, wheel_ends=2_400, readings=18_000),
    Room(flags=120, of_a_depot=6, listed=400, wheel_ends=800, readings=6_000),
    Room(flags=30, of_a_depot=2, listed=60, wheel_ends=150, readings=1_200),
)
