"""Rendered photographs of invented fuel-filter debris, the truth beside each, and what made them."""
