"""The accessibility checker (axe-core) on the page that a browser shows."""

from __future__ import annotations

import json
from typing import Any

from axe_core_python.base import AXE_SCRIPT

CHECKED = """
const [options, done] = arguments;
axe.run(document, options).then(
  (found) => done(found.violations.map((v) => [v.id, v.nodes.slice(0, 3).map((n) => n.html.slice(0, 120))])),
  (error) => done(["the checker failed", String(error)]),
);
"""


def findings(driver: Any, *, only: str = "") -> str:
    """Return what the checker finds wrong with a page, as text; nothing if it finds nothing.

    Args:
        driver: The browser.
        only: The one rule that is asked; all of them if it is empty.
    """
    if not driver.execute_script("return typeof axe === 'object'"):
        driver.execute_script(AXE_SCRIPT)
    options: dict[str, Any] = {"resultTypes": ["violations"]}  # what passes is not collected
    found = driver.execute_async_script(CHECKED, options | ({"runOnly": [only]} if only else {}))
    return json.dumps(found, indent=1)[:2000] if found else ""
