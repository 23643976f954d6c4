"""Filters: what is on the shop's shelf, what a rating means, and whether fuel still gets through."""

from triage.filters.shelf import ELEMENTS, MEANINGS, Filter, filter_list, load_filters, packaged_list

__all__ = ["ELEMENTS", "MEANINGS", "Filter", "filter_list", "load_filters", "packaged_list"]
