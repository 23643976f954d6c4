"""Errors of the calibration: each says what is wrong with the picture and what to do."""


class CalibrationError(Exception):
    """The picture cannot be given a scale."""
