"""Writes a small record as SQL text, to keep what one version of the program made.

python -m tests.triage.record_first_version > FILE.sql
"""

from __future__ import annotations

import sqlite3
import tempfile
from contextlib import closing
from datetime import date
from pathlib import Path

from tests.triage.saved import invented
from triage.record.book import correct, open_record, save_comparison, save_sample, save_visit
from triage.record.entries import Correction, ServiceVisit


def main() -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        sample = invented(folder, 4)
        with open_record(f"sqlite:///{folder / 'record.sqlite'}") as record:
            number = save_sample(record, sample.analysis, [sample.photo], unit="PW-07").number
            save_visit(record, "PW-07", ServiceVisit(date(2026, 5, 1), "WO 1", noticed=("water",)))
            correct(record, number, Correction(1, "reject", None, "AB"))
            save_comparison(record, number, number, {"verdict": "no_difference_shown"})
        with closing(sqlite3.connect(folder / "record.sqlite")) as connection:
            print("\n".join(connection.iterdump()))


if __name__ == "__main__":
    main()
