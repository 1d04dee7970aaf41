"""Habits of this project that a machine can hold."""

import ast
import re
import subprocess
from collections import Counter
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import get_args

import pytest
from pydantic import BaseModel

from pipeline.documentation import PAGES
from pipeline.settings import Settings, load_settings
from tests import ROOT
from tests.rooms import MODULES, drawn, upward

SQL = sorted((ROOT / "sql").rglob("*.sql"))
WRITTEN = sorted([*ROOT.glob("*.md"), *(ROOT / "pipeline").rglob("*.md")])
TOP = {
    *("README.md", "DEVELOPERS.md", "pyproject.toml", "Makefile", "LICENSE", "requirements.lock"),
    *("pipeline", "sql", "models", "tests", "sample_lake", "dashboards"),
}
TABLE = r"\b(?:raw|run|judge|fate|stage|reduce|mart)\.\w+"


def tracked() -> list[str]:
    listed = subprocess.run(
        ["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False
    )
    if listed.returncode:
        pytest.skip("not a git checkout")
    return listed.stdout.splitlines()


def test_nothing_else_stands_at_the_top():
    top = {name.split("/")[0] for name in tracked()}
    assert {name for name in top if not name.startswith(".")} <= TOP


@pytest.mark.parametrize("page", PAGES, ids=lambda p: p.stem)
def test_reference_pages_are_those_of_the_code(page):
    found = page.read_text(encoding="utf-8")
    assert found == PAGES[page](), "run python -m pipeline.documentation"


@pytest.mark.parametrize(("page", "most"), [("README.md", 350), ("DEVELOPERS.md", 250)])
def test_what_everybody_reads_is_short(page, most):
    assert len((ROOT / page).read_text(encoding="utf-8").splitlines()) <= most


@pytest.mark.parametrize("page", WRITTEN, ids=lambda p: p.name)
def test_links_between_pages_lead_somewhere(page):
    text = page.read_text(encoding="utf-8")
    for target in re.findall(r"\]\((?!https?:)([^)#\s]*)", text):
        assert (page.parent / target).exists(), target
    headings = {_anchor(h) for h in re.findall(r"^#+ (.*)$", text, flags=re.M)}
    assert set(re.findall(r"\]\(#([^)]*)\)", text)) <= headings


def leaves(model: type[BaseModel]) -> Iterator[str]:
    for name, field in model.model_fields.items():
        inner = [m for m in (field.annotation, *get_args(field.annotation)) if isinstance(m, type)]
        below = [m for m in inner if issubclass(m, BaseModel)]
        yield from (leaf for m in below for leaf in leaves(m)) if below else (name,)


@pytest.mark.parametrize("name", sorted(set(leaves(Settings))))
def test_every_setting_is_read_by_something(name):
    readers = [p for m, p in MODULES.items() if m.startswith(("pipeline", "models"))]
    readers.remove(ROOT / "pipeline" / "settings.py")
    attribute = rf"\.{name}\b|\b{name}="
    assert any(re.search(attribute, p.read_text(encoding="utf-8")) for p in readers), name


def test_settings_shown_in_a_page_are_settings(tmp_path):
    shown = [
        block
        for page in WRITTEN
        for block in re.findall(r"```toml\n(.*?)```", page.read_text(encoding="utf-8"), flags=re.S)
    ]
    assert shown
    for block in shown:
        (tmp_path / "fleet.toml").write_text(block, encoding="utf-8")
        load_settings(tmp_path / "fleet.toml")


def _anchor(heading: str) -> str:
    """A heading's name in links to it, as GitHub makes it."""
    return re.sub(r"[^\w\- ]", "", heading.lower()).replace(" ", "-")


def pins(lock: Path) -> set[str]:
    """Versions with their hashes, a package to an entry."""
    return set(re.split(r"\n(?=\S)", lock.read_text(encoding="utf-8").strip()))


def test_the_suite_runs_with_the_versions_that_a_run_has():
    assert pins(ROOT / "requirements.lock") <= pins(ROOT / "tests" / "requirements.lock")


@pytest.mark.parametrize("path", SQL, ids=lambda p: p.stem)
def test_a_sql_file_states_its_grain_key_inputs_and_meaning(path):
    text = path.read_text(encoding="utf-8")
    stated = re.findall(
        r"^-- (\w+):", re.sub(r"^-- form: view( once kept)?\n", "", text), flags=re.M
    )
    assert stated == ["grain", "key", "inputs", "meaning"]
    assert re.search(r"\bfinal as \(", text)


@pytest.mark.parametrize("path", SQL, ids=lambda p: p.stem)
def test_a_sql_file_reads_what_it_says_it_reads(path):
    text = path.read_text(encoding="utf-8")
    stated = set(
        re.findall(r"\b(?:raw|run|judge|fate|stage|reduce|mart)\.\w+", text.split("\nwith")[0])
    )
    body = text[text.index("\nwith") :]
    read = set(
        re.findall(r"\b(?:from|join)\s+((?:raw|run|judge|fate|stage|reduce|mart)\.\w+)", body)
    )
    assert read == stated


@cache
def looked_at() -> frozenset[str]:
    """Tables that a test asks of: after ``from`` or ``join`` in a string, or as the name that a
    test's own helper for reading a table is given."""
    found: set[str] = set()
    for path in (ROOT / "tests").rglob("test_*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Constant) and isinstance(node.value, str):
                asked = re.findall(rf"\b(?:from|join|table)\s+({TABLE})", node.value, flags=re.I)
                found.update(asked)
                if re.fullmatch(TABLE, node.value):
                    found.add(node.value)
    return frozenset(found)


@pytest.mark.parametrize("path", SQL, ids=lambda p: p.stem)
def test_every_sql_table_is_looked_at_in_a_test(path):
    """A mention in passing is no look: the table's whole name stands in a query, or is fetched."""
    schema = path.parent.name.split("_", 1)[1]
    assert f"{schema}.{path.stem.split('_', 1)[1]}" in looked_at()


MOST_FILES = 12  # in a room
FORBIDDEN = {
    "models": "pipeline|dashboards|sample_lake|duckdb|prefect|altair|pathlib",
    "dashboards": "pipeline|models|sample_lake|duckdb|prefect",
    "sample_lake": r"pipeline\.(?!contract)|models|dashboards|prefect",
}
IMPURE = r"\bopen\(|print\(|\.now\(|\.today\(|np\.random\.(?!Generator|default_rng)"


@pytest.mark.parametrize("package", FORBIDDEN)
def test_no_package_reaches_where_it_may_not(package):
    for path in (ROOT / package).rglob("*.py"):
        text = path.read_text(encoding="utf-8")
        imported = rf"^\s*(from|import) ({FORBIDDEN[package]})\b"
        assert not re.search(imported, text, flags=re.M), path


def test_models_have_no_clock_and_no_global_randomness():
    for path in (ROOT / "models").rglob("*.py"):
        assert not re.search(IMPURE, path.read_text(encoding="utf-8")), path


@pytest.mark.parametrize("package", ["models", "pipeline"])
def test_groups_are_summed_in_the_order_of_their_rows(package):
    """Else threads add up parts of a group as they come, and the last digit is theirs."""
    for name, path in MODULES.items():
        if name.startswith(package):
            for call in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
                if isinstance(call, ast.Call) and getattr(call.func, "attr", "") == "group_by":
                    kept = {k.arg for k in call.keywords}
                    assert "maintain_order" in kept, f"{path}:{call.lineno}"


def test_rooms_import_downwards_as_drawn():
    rooms = drawn()
    assert upward(MODULES, rooms) == []


def test_an_import_upwards_is_seen(tmp_path):
    for name, line, found in (
        ("models.common.x", "from models.wear import fit", 1),
        ("models.wear.x", "from models.lives.causes.incidence import product_limit", 1),
        ("models.wear.x", "def late():\n    import models.relines.budget", 1),
        ("models.wear.x", "from models.mixed.fit import fit_mixed", 0),
        ("models.wear.x", "from models.wear.sums import LiningLifeSums", 0),
    ):
        path = tmp_path / "x.py"
        path.write_text(line)
        assert len(upward({name: path}, drawn())) == found, line


def test_a_room_holds_at_most_a_dozen_files():
    rooms = Counter(p.parent for p in MODULES.values() if p.name != "__init__.py")
    assert {str(r.relative_to(ROOT)): n for r, n in rooms.items() if n > MOST_FILES} == {}


def test_a_room_says_what_it_is_for():
    inits = [p for p in MODULES.values() if p.name == "__init__.py"]
    folders = {p.parent for p in MODULES.values()}
    assert {p.parent for p in inits} == folders
    for path in inits:
        said = ast.get_docstring(ast.parse(path.read_text(encoding="utf-8"))) or ""
        assert len(said) > 60, path
        if path.parent.parent.name in ("models", "lives", "relines", "adjustment"):
            assert all(word in said for word in ("In:", "Out:", "Start with")) or (
                path.parent.name in ("lives", "common")
            ), path


def test_no_test_stands_on_a_benchmark():
    for path in (ROOT / "tests").rglob("*.py"):
        text = path.read_text(encoding="utf-8")
        if path.parent.name != "bench":
            assert not re.search(r"^\s*(from|import) tests\.bench", text, flags=re.M), path


def lengths() -> list[tuple[int, str]]:
    """Lines of every function, docstring left out."""
    found = []
    for path in MODULES.values():
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.FunctionDef):
                body = (
                    node.body[1:] if ast.get_docstring(node) and len(node.body) > 1 else node.body
                )
                lines = (body[-1].end_lineno or 0) - body[0].lineno + 1
                found.append((lines, f"{path.name}:{node.name}"))
    return sorted(found)


def test_functions_are_small():
    found = lengths()
    assert found[len(found) // 2][0] < 10
    assert found[len(found) * 9 // 10][0] <= 30
    assert found[-1][0] <= 60, found[-1]


def test_no_file_names_a_registry_or_a_path_of_some_machine():
    hosts = re.compile(r"pypi\.org|pythonhosted|registry\.npmjs|deb\.debian|/home/\w|/work/|/root/")
    for name in tracked():
        path = ROOT / name
        if path.suffix in {".py", ".md", ".toml", ".sql", ".lock", ""} and path.is_file():
            found = hosts.search(path.read_text(encoding="utf-8", errors="replace"))
            assert not found or path == Path(__file__), (name, found)
