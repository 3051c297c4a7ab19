"""Check a lot before and while the paver moves, and an installation before it is trusted."""

from .changes import changes_against, used_by
from .formats import explain_formats
from .installation import check_installation
from .items import CheckItem, LotCheck
from .lot import check_lot
from .so_far import check_so_far

__all__ = [
    "CheckItem", "LotCheck", "changes_against", "check_installation", "check_lot", "check_so_far", "explain_formats",
    "used_by",
]  # fmt: skip
