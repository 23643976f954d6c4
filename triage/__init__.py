"""Contaminant-photo triage: from a photo of fuel-filter debris to sizes, shares and advice."""
