"""The trial folder: what lies in it, written so that it is always either as before or as after.

A single file is put in place in one step, a change of several files is one change, and commands that write hold the
folder's lock. datapackage.json describes the tables by Data Package version 2 and keeps the seed, the tool's version,
the plan as it was laid out and what was done with the scoring.
"""

from trials.csv_text import csv_text
from trials.folder.accepting import accept, put_back
from trials.folder.clock import now
from trials.folder.description import ACTS, COULD_TELL, Accepted, Record, load_record, put_on_record, record_close
from trials.folder.journal import (
    CONDITION_COLUMNS,
    KEY,
    READING_COLUMNS,
    append,
    append_conditions,
    append_readings,
    has_readings,
    load_conditions,
    load_readings,
    standing,
)
from trials.folder.layout_file import add_to_layout, check_free, layout_text, load_layout, save_layout
from trials.folder.lock import locked
from trials.folder.place import Folder
from trials.folder.reading import at, read_plan
from trials.folder.whole import Trial, load
from trials.folder.writing import write_bytes, write_text

__all__ = [
    "ACTS",
    "CONDITION_COLUMNS",
    "COULD_TELL",
    "KEY",
    "READING_COLUMNS",
    "Accepted",
    "Folder",
    "Record",
    "Trial",
    "accept",
    "add_to_layout",
    "append",
    "append_conditions",
    "append_readings",
    "at",
    "check_free",
    "csv_text",
    "has_readings",
    "layout_text",
    "load",
    "load_conditions",
    "load_layout",
    "load_readings",
    "load_record",
    "locked",
    "now",
    "put_back",
    "put_on_record",
    "read_plan",
    "record_close",
    "save_layout",
    "standing",
    "write_bytes",
    "write_text",
]
