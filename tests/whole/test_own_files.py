"""The README's way with own files, word for word, from an empty folder."""

import re
import subprocess
import sys

import pytest

from tests import ROOT


@pytest.mark.proof
def test_the_readmes_ten_minutes(tmp_path):
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    section = readme.split("## Your own files in ten minutes")[1].split("\n## ")[0]
    (commands,) = re.findall(r"```\n(.*?)```", section, flags=re.S)
    drumline = f'drumline() {{ "{sys.executable}" -m pipeline.cli "$@"; }}\n'
    told = subprocess.run(
        ["bash", "-euc", drumline + commands],
        cwd=tmp_path,
        env={"PYTHONPATH": str(ROOT), "PATH": "/usr/bin:/bin", "HOME": str(tmp_path)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert told.returncode == 0, told.stderr
    assert "1 of 1 forms can be read" in told.stdout
    assert "6 rows read from 1 file; 6 accepted, 0 repeated, 0 set aside" in told.stdout
    assert (tmp_path / "out" / "published" / "index.html").exists()
