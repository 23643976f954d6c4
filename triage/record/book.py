"""Operations on the service record.

    with open_record() as record:
        saved = save_sample(record, analysis, photos, unit="PW-07")
        load_result(saved.number)

Machines: `save_machine`, `find_machine`, `known_machine`, `machines`.
Visits: `save_visit`, `find_visit`, `visits`.
Samples: `save_sample`, `add_analysis`, `find_sample`, `samples`, `attach_sample`, `photo_bytes`,
`open_saved`.
Analyses: `load_analysis` (for reports), `load_measured`, `saved_result`, `result_of` and `load_result` (for
comparing).
Corrections: `correct`, `learn`, `forget`, `corrections`, `leave_out`, `restore_area`, `areas`, `restate`
(what was said about the sample); `state_of` tells cheaply whether any of these changed.
Comparisons: `saved_debris`, `save_comparison`, `comparisons`. A machine's history: `history`, `trend_words`,
`look_back` (its earlier sample), `with_set_up`.

Each call is one transaction: all of it is kept, or nothing. Calls from several threads and programs at
once are fine. What is not there or cannot be right is a UserError with a sentence.
"""

from __future__ import annotations

from triage.record.correction_book import (
    areas,
    correct,
    corrections,
    forget,
    learn,
    leave_out,
    restore_area,
    state_of,
)
from triage.record.history import History, history
from triage.record.look_back import Now, look_back, saved_debris, trend_words, with_set_up
from triage.record.machine_book import (
    attach_sample,
    find_machine,
    find_visit,
    known_machine,
    machines,
    save_machine,
    save_visit,
    visits,
)
from triage.record.opening import Record, open_record
from triage.record.sample_book import (
    add_analysis,
    comparisons,
    find_sample,
    load_analysis,
    load_measured,
    load_result,
    open_saved,
    photo_bytes,
    restate,
    result_of,
    samples,
    save_comparison,
    save_sample,
    saved_result,
)

__all__ = [
    "History",
    "Now",
    "Record",
    "add_analysis",
    "areas",
    "attach_sample",
    "comparisons",
    "correct",
    "corrections",
    "find_machine",
    "find_sample",
    "find_visit",
    "forget",
    "history",
    "known_machine",
    "learn",
    "leave_out",
    "load_analysis",
    "load_measured",
    "load_result",
    "look_back",
    "machines",
    "open_record",
    "open_saved",
    "photo_bytes",
    "restate",
    "restore_area",
    "result_of",
    "samples",
    "save_comparison",
    "save_machine",
    "save_sample",
    "save_visit",
    "saved_debris",
    "saved_result",
    "state_of",
    "trend_words",
    "visits",
    "with_set_up",
]
