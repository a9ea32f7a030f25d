"""headstock: planning and follow-up of bone-conserving hip replacement.

Not a cleared medical device. For planning support and research: the surgeon
verifies every number; local rules and licensed practice prevail.
"""

__version__ = "0.1.0"
