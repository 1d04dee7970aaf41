"""The month's page as text: what it says, what it may not hold, and how large it grows."""

import itertools
import json
import re
from dataclasses import fields, replace
from html.parser import HTMLParser
from typing import Any

import polars as pl
import pytest

from dashboards.drawing.embedding import drawing_library, embedded_json, source_hash
from dashboards.drawing.room import ROOMS
from dashboards.histories import packed
from dashboards.page import month_index, rendered
from dashboards.page_data import Fleet, PageData
from dashboards.sections import sections
from dashboards.sentences.method import CAUTIONS
from tests import dashboard_data


class Parsed(HTMLParser):
    """The text, the elements and the scripts of a page."""

    def __init__(self, page: str) -> None:
        super().__init__(convert_charrefs=True)
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.scripts: list[str] = []
        self.styles: list[str] = []
        self.text: list[str] = []
        self._inside = ""
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))
        self._inside = tag

    def handle_endtag(self, tag: str) -> None:
        self._inside = ""

    def handle_data(self, data: str) -> None:
        kept = {"script": self.scripts, "style": self.styles}.get(self._inside, self.text)
        kept.append(data)

    def all(self, tag: str) -> list[dict[str, str | None]]:
        return [attributes for name, attributes in self.elements if name == tag]


@pytest.fixture(scope="module")
def page() -> str:
    return dashboard_data.page_of("usual")


@pytest.fixture(scope="module")
def parsed(page: str) -> Parsed:
    return Parsed(page)


def embedded(page: str) -> dict[str, Any]:
    found = re.search(r'<script type="application/json" id="embedded">(.*?)</script>', page, re.S)
    assert found is not None
    value: dict[str, Any] = json.loads(found.group(1))
    return value


def test_states_the_fleet_the_month_and_the_day(parsed: Parsed) -> None:
    text = " ".join(parsed.text)
    for words in ("Brakes in March 2031", "Saltmarsh Haulage", "From records up to 14 Mar 2031"):
        assert words in text


def test_cautions_stand_at_the_top_and_in_full_at_the_end(page: str) -> None:
    assert page.index(CAUTIONS[0]) < page.index("<nav")
    for caution in CAUTIONS:
        assert caution.replace("'", "&#39;") in page[page.index('id="cautions"') :]


def test_carries_one_drawing_library(page: str) -> None:
    assert page.count("window.vegaEmbed=") == 1
    assert page.count(drawing_library()) == 1


def test_policy_allows_its_own_scripts_and_styles_and_nothing_else(parsed: Parsed) -> None:
    (policy,) = [
        m["content"] for m in parsed.all("meta") if m.get("http-equiv") == "Content-Security-Policy"
    ]
    assert policy is not None
    rules = dict(rule.split(" ", 1) for rule in policy.split("; "))
    run = [s for s, a in zip(parsed.scripts, parsed.all("script"), strict=True) if "type" not in a]
    assert rules["default-src"] == "'none'"
    assert set(rules["script-src"].split()) == {source_hash(s) for s in run}
    assert set(rules["style-src"].split()) == {source_hash(s) for s in parsed.styles}
    assert "unsafe" not in policy


def test_no_element_asks_for_anything_or_runs_inline(parsed: Parsed) -> None:
    for tag, attributes in parsed.elements:
        assert "src" not in attributes, tag
        assert "style" not in attributes, tag
        assert not any(name.startswith("on") for name in attributes), tag
        if tag == "link":
            assert attributes["href"] == "data:,"
        if tag == "a":
            target = attributes["href"] or ""
            assert not re.match(r"[a-z]+:|//", target), target


def test_every_chart_has_a_name_and_its_numbers(parsed: Parsed, page: str) -> None:
    drawings = [d for d in parsed.all("div") if d.get("class") == "drawing"]
    figures = embedded(page)["figures"]
    assert len(drawings) == len(figures) == len(parsed.all("figure"))
    assert all((d["aria-label"] or "").startswith("Chart. ") for d in drawings)
    lists = [d for d in parsed.all("div") if d.get("class") == "listed"]
    assert len(parsed.all("table")) == len(figures) + len(lists)


def test_headings_do_not_skip_a_level(parsed: Parsed) -> None:
    levels = [int(tag[1]) for tag, _ in parsed.elements if re.fullmatch(r"h[1-6]", tag)]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(b <= a + 1 for a, b in itertools.pairwise(levels))


def test_ids_are_unique_and_references_resolve(parsed: Parsed) -> None:
    ids = [a["id"] for _, a in parsed.elements if a.get("id")]
    assert len(ids) == len(set(ids))
    references = [a["aria-labelledby"] or "" for _, a in parsed.elements if "aria-labelledby" in a]
    targets = [(a["href"] or "")[1:] for a in parsed.all("a") if (a["href"] or "").startswith("#")]
    chapters = [t for t in targets if not t.startswith("at/")]
    assert set(references + chapters) <= set(ids)


def test_page_is_the_same_for_the_same_data(page: str) -> None:
    assert rendered(dashboard_data.month()) == page


# ---- text from the records is text everywhere


@pytest.fixture(scope="module")
def hostile() -> str:
    return dashboard_data.page_of("hostile")


def test_hostile_text_adds_no_element(hostile: str, parsed: Parsed) -> None:
    """As many scripts, and no kind of element that the page does not have without it."""
    nasty = Parsed(hostile)
    assert len(nasty.all("script")) == len(parsed.all("script"))
    assert {tag for tag, _ in nasty.elements} == {tag for tag, _ in parsed.elements}
    assert "<script>alert(1)</script>" in "".join(nasty.text)
    assert "<script>alert" not in hostile


@pytest.mark.parametrize("text", ["</script>", "<!--", "\u2028", "&amp;", "]]>", "a\\b", '"'])
def test_embedded_json_comes_back_as_it_was(text: str) -> None:
    made = embedded_json({"text": text})
    assert json.loads(made) == {"text": text}
    assert not set("<>&\u2028\u2029") & set(made)


def test_embedded_json_refuses_what_is_no_number() -> None:
    with pytest.raises(ValueError, match="not JSON compliant"):
        embedded_json(float("nan"))


# ---- little to show


def test_what_every_run_has_is_enough() -> None:
    full = dashboard_data.month(60)
    nothing: dict[str, Any] = {f.name: None for f in fields(full) if f.default is None}
    page = rendered(replace(full, **nothing))
    assert "What is overdue was not worked out." in page
    assert "There is no earlier month to compare with" in page
    assert "No other policies were compared" in page


def test_empty_tables_are_told_in_words() -> None:
    data = dashboard_data.empty_month()
    page = rendered(data)
    assert not embedded(page)["figures"]
    for section in sections(data):
        assert section.nothing.replace("'", "&#39;") in page
    assert "That does not make any of them safe." in page


def test_adjusters_without_a_curve_say_why() -> None:
    data = dashboard_data.month(60)
    thin = data.adjuster_fits.head(1).with_columns(
        distribution=pl.lit(None, dtype=pl.String),
        failures=pl.lit(2),
        note=pl.lit("Two failures in 90 adjusters: no curve"),
        **{c: pl.lit(None, dtype=pl.Float64) for c in ("b10_km", "b10_km_ci_low")},
    )
    without = replace(data, adjuster_fits=thin, adjuster_curves=data.adjuster_curves.clear())
    (section,) = [s for s in sections(without) if s.key == "adjusters"]
    assert section.remarks == ("drive / quarry: Two failures in 90 adjusters: no curve",)
    assert not {f.key for f in section.figures} & {"adjuster-age", "adjuster-curve-1"}


def test_thin_groups_are_one_sentence_that_names_them() -> None:
    """What is pooled over groups would count their failures again."""
    fits = dashboard_data.month(60).adjuster_fits.with_columns(
        distribution=pl.lit(None, dtype=pl.String), failures=pl.lit(1), adjusters=pl.lit(9)
    )
    own = fits.filter(pl.col("axle_type").is_not_null(), pl.col("duty").is_not_null()).head(3)
    pooled = own.head(1).with_columns(duty=pl.lit(None, dtype=pl.String), failures=pl.lit(3))
    data = replace(dashboard_data.month(60), adjuster_fits=pl.concat([own, pooled]))
    (section,) = [s for s in sections(data) if s.key == "adjusters"]
    (said,) = section.remarks
    assert said.startswith("3 groups have too few failures for a curve (3 together;")
    for r in own.iter_rows(named=True):
        assert f"{r['axle_type']} / {r['duty']} (1 of 9)" in said


def test_one_depot_and_very_long_names_are_carried() -> None:
    data = few_charts(dashboard_data.month(60))
    long = dashboard_data.LONG
    status = data.wheel_end_status.with_columns(depot=pl.lit(long), duty=pl.lit(long))
    page = rendered(replace(data, wheel_end_status=status))
    assert page.count(f'<option value="{long}">') == 2


def few_charts(data: PageData) -> PageData:
    """The same without the tables that make most of the charts: for speed."""
    names = ("adjuster_curves", "adjuster_fits", "duty_comparisons", "reline_budget")
    return replace(data, **{name: getattr(data, name).clear() for name in names})


def test_inches_reach_the_histories() -> None:
    metric = dashboard_data.month(60)
    imperial = replace(metric, fleet=Fleet(length_unit="in", distance_unit="mi"))
    mm, inches = (packed(d, [], ROOMS[0]) for d in (metric, imperial))
    wheel_end = mm["ends"]["id"][0]
    assert inches["histories"][wheel_end]["m"] == pytest.approx(6.4 / 25.4, abs=5e-4)
    assert inches["ends"]["lining"][0] == pytest.approx(mm["ends"]["lining"][0] / 25.4, abs=1e-3)


# ---- large fleets


@pytest.fixture(scope="module")
def large() -> str:
    return dashboard_data.page_of("large")


def test_a_hundred_thousand_wheel_ends_stay_under_four_megabytes(large: str) -> None:
    assert len(large.encode()) < 4_000_000


def test_what_is_left_out_is_said(large: str) -> None:
    carried = embedded(large)["fleet"]
    assert carried["whole"] is False
    assert "most urgent are on this page, all of them in the work list" in large
    assert len(carried["ends"]["id"]) <= 5_400


def test_listed_wheel_ends_bring_their_histories(large: str) -> None:
    listed = re.findall(r'<li data-id="([^"]+)"', large)
    carried = embedded(large)["fleet"]["histories"]
    assert len(listed) >= 700
    assert set(listed) <= set(carried)


@pytest.mark.proof
def test_long_names_shrink_what_is_carried_not_the_promise() -> None:
    data = few_charts(dashboard_data.month(12_000))
    longer = data.wheel_end_status.with_columns(
        pl.col("wheel_end_id", "unit_id", "evidence") + "x" * 400
    )
    page = rendered(replace(data, wheel_end_status=longer))
    assert len(page.encode()) < 4_000_000
    assert embedded(page)["fleet"]["ends"]["id"]


# ---- the list of months


def test_months_are_listed_and_the_newest_opens() -> None:
    page = month_index(["2031-01", "2031-03", "2031-02"])
    assert 'content="0; url=2031-03/index.html"' in page
    assert page.index("March 2031") < page.index("February 2031") < page.index("January 2031")


def test_no_month_is_told_in_words() -> None:
    page = month_index([])
    assert "No month has been published yet." in page
    assert "refresh" not in page
