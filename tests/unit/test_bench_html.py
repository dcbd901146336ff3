"""What the page of a case makes of a step."""

from __future__ import annotations

from strobewise_cli.render.bench_html import LEAD_COLOURS


def test_leads_have_the_colours_of_the_resistor_code():
    """IEC 60062, digits 0 to 9; after the tenth lead they begin anew."""
    assert " ".join(LEAD_COLOURS) == "black brown red orange yellow green blue violet grey white"
