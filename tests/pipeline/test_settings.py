"""fleet.toml: a typo is an error that helps; a default changes nothing."""

import pytest

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
        ("[costs]\ndrum = -1", "costs.drum: found -1; input should be greater than or equal to 0"),
        ("[costs]\ndrum = 'x'", "costs.drum: found 'x'"),
        (
            "[columns.work]\nDatum = 'done'",
            "'Datum' is mapped to 'done', which the contract does not have; did you mean 'done_on'",
        ),
        ("[columns.jobs]\nDatum = 'done_on'", "unknown key 'jobs'; known are register"),
        ("[chambers.30]", "chambers.30.readjust_limit_mm: found {}; field required"),
        ("fleet = 3", "fleet: found 3"),
        ("[units]\nlength = 'cm'", "units.length: found 'cm'; input should be 'mm' or 'in'"),
    ],
)
def test_what_is_wrong_is_said_in_one_line(tmp_path, text, said):
    with pytest.raises(UserError) as error:
        load(tmp_path, text)
    assert said in str(error.value)
    assert str(error.value).startswith("fleet.toml: ")
    assert "\n" not in str(error.value)


def test_the_defaults_are_those_of_common_practice():
    """Free stroke 10 % to 15 % of arm length, aim for the middle: common practice, no source."""
    adjustment = Settings().adjustment
    assert (adjustment.band_low, adjustment.target, adjustment.band_high) == (0.10, 0.125, 0.15)
    # 49 CFR 393.47(d) (US): non-steering air drum lining at least 6.4 mm (1/4 inch).
    minimum = load_settings_of_axle().lining_min_mm
    assert minimum == pytest.approx(25.4 / 4, abs=0.06)


def load_settings_of_axle():
    return Settings.model_validate({"axle_types": {"A": {}}}).axle_types["A"]
