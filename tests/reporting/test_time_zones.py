"""Charts are the same in every time zone."""

import os
import subprocess
import sys


def test_the_time_zone_of_the_machine_makes_no_difference() -> None:
    code = (
        "from datetime import date\nfrom pipelines.reporting.charts import Band, Line, line_chart\n"
        "d = [date(2026, m, 1) for m in range(1, 5)]\n"
        "print(line_chart('t', d, [Line('a', (1., 2., 3., 4.), 0)], str).svg)"
    )
    drawn = {
        subprocess.run(
            [sys.executable, "-c", code], env={**os.environ, "TZ": zone}, capture_output=True, text=True, check=True
        ).stdout
        for zone in ("UTC", "Asia/Tokyo", "America/New_York")
    }
    assert len(drawn) == 1 and "Jan 2026" in drawn.pop()
