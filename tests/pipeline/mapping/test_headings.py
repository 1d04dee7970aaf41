"""What headings say of axle and side, in the letters that brake books use for both."""

import pytest

from pipeline.mapping.findings import placed_words, reading_named
from pipeline.mapping.headings import meanings
from pipeline.mapping.reading import is_month


@pytest.mark.parametrize(
    ("headings", "places"),
    [
        (
            ["LF lining (32nds)", "RF lining (32nds)", "LR lining (32nds)", "RR lining (32nds)"],
            [("front", "L"), ("front", "R"), ("rear", "L"), ("rear", "R")],
        ),
        (
            ["Lining FL", "Lining FR", "Lining RL", "Lining RR"],
            [("front", "L"), ("front", "R"), ("rear", "L"), ("rear", "R")],
        ),
        (
            ["NSF lining mm", "OSF lining mm", "NSR lining mm", "OSR lining mm"],
            [("front", "near"), ("front", "off"), ("rear", "near"), ("rear", "off")],
        ),
        (
            ["Belag VL mm", "Belag VR mm", "Belag HL mm", "Belag HR mm"],
            [("front", "L"), ("front", "R"), ("rear", "L"), ("rear", "R")],
        ),
        (
            ["N/S/F lining mm", "O/S/F lining mm", "N/S/R lining mm", "O.S.R. lining mm"],
            [("front", "near"), ("front", "off"), ("rear", "near"), ("rear", "off")],
        ),
        (
            ["L/H/F linings", "RHF linings", "LHR linings", "R/H/R linings"],
            [("front", "L"), ("front", "R"), ("rear", "L"), ("rear", "R")],
        ),
    ],
)
def test_letters_for_axle_and_side_are_read(headings, places):
    said = meanings(["Unit", "Date", "Odometer km", *headings])[3:]
    assert [m.concept for m in said] == ["lining"] * 4
    assert [(m.axle, m.side) for m in said] == places


def test_a_letter_and_a_number_are_an_axle():
    said = meanings(["Unit", "Date", "Lining A1 L", "Lining A1 R", "A2L lining", "A2R lining"])[2:]
    assert [(m.axle, m.side) for m in said] == [(1, "L"), (1, "R"), (2, "L"), (2, "R")]


@pytest.mark.parametrize("shoes", ["Auflaufbacke Ablaufbacke", "Leading Trailing"])
def test_linings_of_both_shoes_are_those_of_one_brake(shoes):
    said = meanings(["Unit", "Date", "Side", *(f"Lining {shoe} mm" for shoe in shoes.split())])[3:]
    assert [(m.concept, m.is_an_end) for m in said] == [("lining", True)] * 2
    (alone,) = meanings([f"Lining {shoes.split()[0]} mm"])
    assert alone.concept is None


def test_a_shoe_in_mm_may_be_said_to_be_a_lining():
    assert reading_named("Leading shoe mm") == "lining_mm"
    assert reading_named("Shoe size") == ""


def test_one_side_without_its_counterpart_is_not_read():
    """LR lining alone may be anything: a "lining, last reading"."""
    *_, alone = meanings(["Unit", "Date", "Odometer km", "LR lining mm"])
    assert alone.concept is None


@pytest.mark.parametrize("heading", ["Rego", "Rego no", "Bus", "Prime mover no", "Semi-trailer"])
def test_a_unit_goes_by_many_names(heading):
    assert meanings([heading])[0].concept == "unit_id"


@pytest.mark.parametrize(
    ("heading", "concept"),
    [("Opis prac", "job"), ("Wykonane prace", "job"), ("Completed", "date")],
)
def test_jobs_and_their_days_go_by_other_names_too(heading, concept):
    assert meanings([heading])[0].concept == concept


def test_a_side_column_may_be_called_by_its_sides():
    for heading in ("N/S or O/S", "L/R", "left or right", "Side (L or R)"):
        assert meanings([heading])[0].concept == "side", heading


@pytest.mark.parametrize(
    ("words", "known"),
    [
        (["L"], {"L": "L"}), (["R", "R"], {"R": "R"}), (["L", "P"], {"L": "L", "P": "R"}),
        (["P"], {}), (["D"], {}), (["-", "L"], {"L": "L"}), (["L", "X"], {}),
        (["left"], {"left": "L"}),
    ],
)  # fmt: skip
def test_one_side_alone_is_known_by_its_own_letter(words, known):
    assert placed_words(words, "side") == known
    assert placed_words([f"{word}1" for word in words if len(words) == 1], "position") in (
        {},
        {"left1": "1L"},  # R1 may be a wheel's
    )


@pytest.mark.parametrize(
    "headings",
    [
        ("Voering as 1 links mm", "Voering as 1 rechts mm"),
        ("Remvoering as 1 links", "Remvoering as 1 rechts"),
        ("Voeringdikte as1 L", "Voeringdikte as1 R"),
        ("Voering 1e as links", "Voering 1e as rechts"),
    ],
)
def test_the_dutch_word_for_an_axle_is_one_before_or_after_its_number(headings):
    said = meanings(["Kenteken", "Datum", "Km-stand", *headings])[3:]
    assert [(m.concept, m.axle, m.side) for m in said] == [("lining", 1, "L"), ("lining", 1, "R")]


def test_an_axle_in_dutch_needs_no_side_beside_it():
    said = meanings(["Kenteken", "Datum", "Km-stand", "Zijde", "Remvoering as 1", "Voering as 2"])
    assert [(m.concept, m.axle) for m in said[4:]] == [("lining", 1), ("lining", 2)]


@pytest.mark.parametrize("heading", ["Lining as left", "Lining as found 1L", "As left lining 2"])
def test_as_left_and_as_found_are_of_no_axle(heading):
    said = meanings(["Unit", "Date", "Km", heading])[-1]
    assert said.concept is None
    assert said.axle is None


@pytest.mark.parametrize(
    ("heading", "concept"),
    [
        *[(h, "job") for h in ("Work carried out", "Travaux effectués", "Opis naprawy")],
        *[(h, "job") for h in ("Descripción del trabajo", "Arbeitstext")],
        *[(h, "cost") for h in ("Koszt netto", "Summe EUR", "Total HT", "Total inc VAT")],
        *[("Hub odo", "odometer"), ("Checked on", "date"), ("Nr rej.", "unit_id")],
        *[("Okł.", "lining"), ("Parts cost", None), ("Labour cost", None), ("Lohn EUR", None)],
        *[("Fleet nr", "unit_id"), ("Kennz.", "unit_id"), ("Hubometer miles", "odometer")],
        *[("Oś/Strona", "position"), ("Achse / Seite", "position"), ("Date/Time", "date")],
        *[("Erledigt am", "date"), ("Time", None), ("KM-Stand (Tsd. km)", "odometer")],
        *[("Labor amt", None), ("Material EUR", None), ("Total", None), ("Total hours", None)],
    ],
)
def test_more_headings_of_workshops(heading, concept):
    assert meanings([heading])[0].concept == concept


def test_a_lining_may_be_cut_short_in_polish():
    said = meanings(["Nr rej.", "Data", "Przebieg", "Okł. oś 1 L", "Okł. oś 1 P"])
    assert [(m.concept, m.axle, m.side) for m in said[3:]] == [
        ("lining", 1, "L"), ("lining", 1, "R"),
    ]  # fmt: skip


def test_a_mil_is_ten_km_in_the_north_alone():
    heads = (
        "Mätarställning (mil)",
        "Kjørelengde mil",
        "Mätarställning mil",
        "Odometer (mil)",
        "mil",
    )
    found = [(m.concept, m.unit) for head in heads for m in meanings([head])]
    assert found == [("odometer", "10km")] * 3 + [(None, None)] * 2


def test_what_is_left_is_no_side_beside_a_column_for_it():
    beside, alone = meanings(["Side", "Lining left mm"])[1], meanings(["Axle", "Lining left mm"])[1]
    assert (beside.concept, beside.side) == ("lining", None)
    assert alone.concept is None


@pytest.mark.parametrize(
    ("words", "concept", "places"),
    [
        ("1AL 1AR 2AL", "position", ["1L", "1R", "2L"]),
        ("1º eixo LE|1º eixo LD|2º eixo LE", "position", ["1L", "1R", "2L"]),
        ("1er essieu G|2ème essieu D", "position", ["1L", "2R"]),
        ("1er eje LI|2do eje LD", "position", ["1L", "2R"]),
        ("I II III", "axle_no", ["1", "2", "3"]),
        ("E1 E2", "axle_no", ["1", "2"]),
        ("V H", "side", ["L", "R"]),
        ("V", "side", []),
        ("V H", "position", []),
        ("I", "axle_no", []),
        ("E1 D1", "axle_no", []),
        ("1º eixo LE|2º eixo LE", "position", []),
    ],
)
def test_places_as_more_countries_write_them(words, concept, places):
    cells = words.split("|" if "|" in words else None)
    assert list(placed_words(cells, concept).values()) == places


def test_os_beside_ns_is_the_off_side_and_no_axle():
    assert placed_words(["1NS", "1OS", "2NS"], "position") == {
        "1NS": "1 near", "1OS": "1 off", "2NS": "2 near",
    }  # fmt: skip


def test_letters_are_sides_beside_words_for_an_axle_too():
    said = meanings(
        ["Unit", *(f"{end} axle {s} lining mm" for end in ("Rear", "Front") for s in "LR")]
    )
    places = [("rear", "L"), ("rear", "R"), ("front", "L"), ("front", "R")]
    assert [(m.axle, m.side) for m in said[1:]] == places


@pytest.mark.parametrize(
    ("heading", "told"),
    [
        ("Vehicle / Véhicule", ("unit_id", None, None)),
        ("Odometer / Odomètre (km)", ("odometer", "km", None)),
        ("Lining | Garniture (mm)", ("lining", "mm", None)),
        ("Date\nDatum", ("date", None, None)),
        ("Axle 1 lining mm / Essieu 1 garniture mm", ("lining", "mm", 1)),
        ("Lining / Drum mm", (None, None, None)),
        ("Lining / Stroke mm", (None, None, None)),
        ("Lining mm / Garniture in", (None, None, None)),
        ("Axle 1 lining / Axle 2 lining", (None, None, None)),
    ],
)
def test_headings_in_two_languages_are_read_where_both_say_the_same(heading, told):
    (said,) = meanings([heading])
    assert (said.concept, said.unit, said.axle) == told


def test_an_average_is_front_left_only_beside_another_wheel():
    assert meanings(["Lining avg mm"])[0].concept is None
    first, second = meanings(["Garniture AVG mm", "Garniture AVD mm"])
    assert (first.axle, first.side, second.side) == ("front", "L", "R")


@pytest.mark.parametrize("heading", ["Jan 24", "Januar", "2024-03", "03/2024", "mars 2024"])
def test_a_month_is_known_for_one(heading):
    assert is_month(heading)


@pytest.mark.parametrize("heading", ["15 Jan 24", "Axle 1", "24", "Jan Feb", "3.5", "Jan 24 25"])
def test_other_headings_are_no_months(heading):
    assert not is_month(heading)


@pytest.mark.parametrize(
    ("heading", "concept"),
    [
        ("Épaisseur des garnitures de frein (mm)", "lining"),
        ("Espesor de balatas de freno", "lining"),
        ("Grubość okładzin hamulcowych", "lining"), ("Dikte remvoering", "lining"),
        ("Restbelagstärke (mm)", "lining"), ("N° de parc", "unit_id"), ("Nr boczny", "unit_id"),
        ("Kilométrage au contrôle", "odometer"), ("Przebieg w km", "odometer"),
        ("km bei Prüfung", "odometer"), ("Kilometerstand bij controle", "odometer"),
        ("Data pomiaru", "date"), ("Strona pojazdu", "side"), ("Lado del vehículo", "side"),
        ("Inspected at", "date"), ("Usure garniture de frein", None),
        ("Prix garniture frein", None), ("Km revisión", None),
        ("Kilometer bis Kontrolle", None), ("Km restantes", None),
    ],
)  # fmt: skip
def test_headings_in_more_words(heading, concept):
    assert meanings([heading])[0].concept == concept


@pytest.mark.parametrize(
    "heading", ["Mezzo", "N. mezzo", "Гаражный номер", "Kfz-Kennzeichen", "Auflieger", "Vogn nr."]
)
def test_more_words_for_a_vehicle_or_a_trailer_are_known(heading):
    assert meanings([heading])[0].concept == "unit_id"


def test_thousands_are_also_called_tis():
    (said,) = meanings(["Stav km (tis.)"])
    assert (said.concept, said.unit) == ("odometer", "1000km")
