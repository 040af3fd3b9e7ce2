"""The reasons as a site's page and the owner's list show them, said once where components say the same."""

from collections.abc import Sequence

import polars as pl

from fleetstats.report import labels, words
from fleetstats.report.pages.parts import Fact, Row
from fleetstats.report.results import Results


def reasons(rows: Sequence[Row]) -> tuple[str, ...]:
    """Return the sentences on a site's visits; rows of the frame `why` of one site."""
    return tuple(
        text for row in rows if not row["component"] for text in (row["evidence"], row["alternative"]) if text
    )


def changes(results: Results, rows: Sequence[Row]) -> tuple[Fact, ...]:
    """Return what would change the intervals of a site, once for all components that say the same."""
    grouped: dict[str, list[str]] = {}
    for row in rows:
        if row["would_change"]:
            name = labels.in_sentence(row["component"], row["slot"]) if row["component"] else "visits"
            grouped.setdefault(row["would_change"], []).append(name)
    return tuple(Fact(words.sentence(words.listed(names)), told) for told, names in grouped.items())


def of_visits(results: Results) -> dict[str, str]:
    """Return for each site what speaks for its visits, and what would change them."""
    visits = results.why.filter(pl.col("component").fill_null("") == "")
    found = {}
    for row in visits.iter_rows(named=True):
        found[row["site_id"]] = " ".join(text for text in (row["evidence"], row["would_change"]) if text)
    return found
