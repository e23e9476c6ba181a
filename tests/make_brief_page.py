"""Writes docs/brief.md from the fields of the brief; a test tells if the page is stale.

python tests/make_brief_page.py
"""

from __future__ import annotations

from pathlib import Path

from optimizer.brief.explained import page

PAGE = Path(__file__).resolve().parents[1] / "docs" / "brief.md"

if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8")
