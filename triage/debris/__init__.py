"""Pixels to particles: background, find, split, measure, fibres, kinds."""
