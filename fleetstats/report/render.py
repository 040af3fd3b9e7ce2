"""Templates filled in: one environment, each page with the content policy that fits it."""

import base64
import hashlib
import re
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from fleetstats.resources import folder

NAVIGATION = (
    ("index", "index.html", "Report"),
    ("owner", "owner.html", "Owner"),
    ("technician", "technician.html", "Technician"),
    ("supplier", "supplier.html", "Supplier"),
    ("sites", "sites.html", "Sites"),
    ("lives", "lives.html", "Lives"),
    ("starting", "starting.html", "New sites"),
    ("records", "records.html", "Records"),
    ("trust", "trust.html", "Trust"),
    ("method", "method.html", "Method"),
)
#: The drawing library writes styles of its own; nothing else here needs that leave.
_PLOT_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self' 'unsafe-inline'; "
    "img-src 'self' data: blob:; base-uri 'none'; form-action 'none'"
)
_TABLE_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src data:; "
    "base-uri 'none'; form-action 'none'"
)
_PLAIN_POLICY = (
    "default-src 'none'; style-src 'sha256-{digest}'; img-src data:; base-uri 'none'; form-action 'none'"
)
PLOT_TEMPLATES = frozenset({"owner.html", "technician.html", "trust.html"})
_COMMENT = re.compile(r"/\*.*?\*/", re.DOTALL)
_SPACE = re.compile(r"\s+")


class Press:
    """Fills page contexts into templates; templates are compiled once."""

    def __init__(self, templates: Path | None = None) -> None:
        self._folder = templates or folder("site_templates")
        self._inline_css = _tight(self._read("base.css"))
        digest = hashlib.sha256(self._inline_css.encode("utf-8")).digest()
        self._plain_policy = _PLAIN_POLICY.format(digest=base64.b64encode(digest).decode("ascii"))
        self._environment = Environment(
            loader=FileSystemLoader(self._folder),
            autoescape=True,
            undefined=StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
            keep_trailing_newline=True,
            auto_reload=False,
        )
        self._environment.globals["navigation"] = NAVIGATION
        self._environment.globals["inline_css"] = Markup(self._inline_css)

    def page(self, template: str, page: Any) -> str:
        """Return one page as HTML.

        Parameters
        ----------
        template : str
            Name of a file in `site_templates`.
        page : a page context
            Its `head.plain` says that the page carries its style and no script.
        """
        if page.head.plain:
            policy = self._plain_policy
        else:
            policy = _PLOT_POLICY if template in PLOT_TEMPLATES else _TABLE_POLICY
        # the policy's quotes stand inside a double-quoted attribute and need no escape
        return self._environment.get_template(template).render(page=page, csp=Markup(policy))

    def style(self) -> str:
        """Return the style sheet of the overview pages."""
        return _tight(self._read("base.css") + self._read("overview.css"))

    def script(self, name: str = "site.js") -> str:
        """Return a script of the overview pages."""
        return self._read(name)

    def _read(self, name: str) -> str:
        return (self._folder / name).read_text(encoding="utf-8")


def _tight(css: str) -> str:
    """The style sheet without comments and with single spaces."""
    return _SPACE.sub(" ", _COMMENT.sub("", css)).strip()
