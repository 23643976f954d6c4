"""Rendered photographs of invented fuel-filter debris, with the truth beside each, and the scripts that made them."""
