"""What the accessibility checker says of a page: every rule in the light, and in the dark those of colours."""

from collections.abc import Callable
from typing import Any

import pytest

COLOURS = {"runOnly": {"type": "rule", "values": ["color-contrast"]}}


def assert_accessible(opened: Callable[..., Any]) -> None:
    """Open a page in both schemes and let the checker look; only colours differ between them."""
    axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="axe is not installed")
    for scheme, only in (("light", {}), ("dark", COLOURS)):
        # bypass_csp lets the checker itself in; preload would fetch style sheets
        page = opened(bypass_csp=True, color_scheme=scheme)
        found = axe.Axe().run(page, options={"preload": False, **only})
        assert "color-contrast" in {rule["id"] for rule in found.response["passes"]}, "it has looked"
        assert found.violations_count == 0, f"{scheme}: {found.generate_report()}"
