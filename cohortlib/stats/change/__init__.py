"""Change since the first examination after the operation: what is compared, and what is a change."""

from cohortlib.stats.change.baseline import change_from_baseline
from cohortlib.stats.change.flags import flagged_hips, significant_changes

__all__ = ["change_from_baseline", "flagged_hips", "significant_changes"]
