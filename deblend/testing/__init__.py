"""Contract suites for those who write a reader or a separator method."""

from deblend.testing.check_reader import check_reader, check_reader_entry
from deblend.testing.check_separator import check_separator

__all__ = ["check_reader", "check_reader_entry", "check_separator"]
