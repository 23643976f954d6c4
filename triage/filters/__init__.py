"""The filters a shop stocks: what is on the shelf and what its rating means."""

from triage.filters.shelf import ELEMENTS, MEANINGS, Filter, filter_list, load_filters, packaged_list

__all__ = ["ELEMENTS", "MEANINGS", "Filter", "filter_list", "load_filters", "packaged_list"]
