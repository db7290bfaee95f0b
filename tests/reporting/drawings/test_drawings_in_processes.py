"""Every process draws the same bytes, whatever its fonts and its time zone."""

import os
import subprocess
import sys
from pathlib import Path

from tests.reporting.drawings.test_every_drawing import drawings

ROOT = Path(__file__).resolve().parents[3]


def test_another_process_with_other_fonts_and_time_zone_draws_the_same_bytes(tmp_path: Path) -> None:
    (tmp_path / "fonts.conf").write_text(f"<fontconfig><dir>{tmp_path}</dir></fontconfig>", encoding="utf-8")
    code = (
        "from tests.reporting.drawings.test_every_drawing import drawings\nprint([c.svg for c in drawings().values()])"
    )
    given = [sys.executable, "-c", code]
    environments = (
        {"TZ": "America/New_York"},
        {"FONTCONFIG_FILE": str(tmp_path / "fonts.conf"), "TZ": "Asia/Tokyo", "LC_ALL": "C"},
    )
    made = {
        subprocess.run(given, env={**os.environ, **each}, cwd=ROOT, capture_output=True, text=True, check=True).stdout
        for each in environments
    }
    assert made == {f"{[chart.svg for chart in drawings().values()]}\n"}
