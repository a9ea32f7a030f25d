"""What the browser and the server say to each other: the pages of the desk, unchanged.

Decision: docs/decisions/0170-pages-are-plain-values-of-the-desk.md
"""

from headstock.desk import pages, scan_pages
from headstock.desk.pages import *  # noqa: F403 - one list of names, kept in desk/pages.py
from headstock.desk.scan_pages import *  # noqa: F403 - likewise

__all__ = [*pages.__all__, *scan_pages.__all__]
