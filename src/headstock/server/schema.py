"""What the browser and the server say to each other: the pages of the desk, unchanged.

Decision: docs/decisions/0170-pages-are-plain-values-of-the-desk.md
"""

from headstock.desk.pages import *  # noqa: F403 - one list of names, kept in desk/pages.py
from headstock.desk.pages import __all__ as __all__
