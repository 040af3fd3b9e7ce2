"""The report: results of an analysis as a static folder of pages that opens anywhere."""

from fleetstats.report.results import Results
from fleetstats.report.site import write_site

__all__ = ["Results", "write_site"]
