"""fleet.toml: a typo is an error that helps; a default changes nothing."""

from typing import get_origin

import pytest

from pipeline.accepted import accepted, section_of
from pipeline.errors import UserError
from pipeline.settings import Settings, load_settings


def load(tmp_path, text: str) -> Settings:
    path = tmp_path / "fleet.toml"
    path.write_text(text, encoding="utf-8")
    return load_settings(path)


def test_a_missing_file_means_every_default(tmp_path):
    assert load_settings(tmp_path / "none.toml") == Settings()


def test_a_byte_order_mark_is_no_matter(tmp_path):
    assert load(tmp_path, '\ufeff[fleet]\nname = "X"\n').fleet.name == "X"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[fleet]\nnam = 'x'", "fleet.nam: unknown key; did you mean 'name'?"),
        ("[fleets]\nname = 'x'", "fleets: unknown key; did you mean 'fleet'?"),
        (
            "[axle_types.A]\nlining_neu_mm = 3",
            "axle_types.A.lining_neu_mm: unknown key; did you mean 'lining_new_mm'?",
        ),
        (
            "[service.duties.x]\nchek_weeks = 3",
            "service.duties.x.chek_weeks: unknown key; did you mean 'check_weeks'?",
        ),
        ("[adjustment]\nband_low = 0.2", "adjustment: band_low < target < band_high must hold"),
        ("[axle_types.A]\nlining_min_mm = 30", "lining_min_mm must be below lining_new_mm"),
        ("[costs]\ndrum = -1", "costs.drum: found -1; accepted: a number from 0"),
        ("[costs]\ndrum = 'x'", "costs.drum: found 'x'"),
        (
            "[columns.work]\nDatum = 'done'",
            "'Datum' is mapped to 'done', which the contract does not have; did you mean 'done_on'",
        ),
        ("[columns.jobs]\nDatum = 'done_on'", "unknown key 'jobs'; known are register"),
        ("[chambers.30]", "chambers.30.readjust_limit_mm: found {}; field required"),
        ("fleet = 3", "fleet: found 3"),
        ("axle_types.A = 3", "axle_types.A: found 3; accepted: a section with keys of its own"),
        ("[budget]\nrisk = 3", "budget.risk: found 3; accepted: a number above 0 and below 1"),
        (
            "[scenarios.A]\nminimum_mm = 'x'",
            "scenarios.A.minimum_mm: found 'x'; accepted: a number above 0 or values by name, as "
            "in 8.0, {drive = 8.0}",
        ),
        ("[units]\nlength = 'cm'", """units.length: found 'cm'; accepted: "mm" or "in\""""),
    ],
)
def test_what_is_wrong_is_said_in_one_line(tmp_path, text, said):
    with pytest.raises(UserError) as error:
        load(tmp_path, text)
    assert said in str(error.value)
    assert str(error.value).startswith("fleet.toml: ")
    assert "\n" not in str(error.value)


def test_every_key_says_what_it_accepts_and_takes_its_own_examples(tmp_path):
    """What the README lists of a key is what an error says of it; an example that did not load
    would be worse than none."""
    for section, key, field in keys(Settings, ""):
        assert accepted(field), (section, key)
        for example in field.examples or ():
            # A change without its day is none.
            day = "date = 2025-03-01\n" if section == "changes.NAME" and key != "date" else ""
            line = f"[{section}]\n{day}{key} = {example}"
            load(tmp_path, f"[columns.inspections]\n{example}" if key == "columns" else line)


def keys(model, section):
    for name, field in model.model_fields.items():
        inner = section_of(field.annotation)
        if inner is None:
            yield section, name, field
        else:
            named = ".NAME" if get_origin(field.annotation) is dict else ""
            yield from keys(inner, f"{section}.{name}{named}".lstrip("."))


def test_a_minimum_is_one_number_for_all_axle_types_or_one_each(tmp_path):
    text = "[scenarios.A]\nminimum_mm = 8\n[scenarios.B]\nminimum_mm = {drive = 8}"
    found = load(tmp_path, text).scenarios
    assert (found["A"].minimum_mm, found["B"].minimum_mm) == (8.0, {"drive": 8.0})


def test_the_defaults_are_those_of_common_practice():
    """Free stroke 10 % to 15 % of arm length, aim for the middle: common practice, no source."""
    adjustment = Settings().adjustment
    assert (adjustment.band_low, adjustment.target, adjustment.band_high) == (0.10, 0.125, 0.15)
    # 49 CFR 393.47(d) (US): non-steering air drum lining at least 6.4 mm (1/4 inch).
    minimum = load_settings_of_axle().lining_min_mm
    assert minimum == pytest.approx(25.4 / 4, abs=0.06)


def load_settings_of_axle():
    return Settings.model_validate({"axle_types": {"A": {}}}).axle_types["A"]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (
            "[[wheel_ends]]\narm_length_mm = 15",
            "arm_length_mm: found 15; accepted: a number from 50",
        ),
        ("wheel_ends = 15", "wheel_ends: found 15; accepted: a list"),
        ("[scenarios.a]\nuse_factor = inf", "use_factor: found inf; accepted: a number above 0"),
        ("[service]\ncheck_weeks = nan", "check_weeks: found nan; accepted: a number above 0"),
    ],
)
def test_a_value_within_a_list_of_sections_and_one_that_is_no_number_are_told(tmp_path, text, said):
    with pytest.raises(UserError) as error:
        load(tmp_path, text)
    assert said in str(error.value)
