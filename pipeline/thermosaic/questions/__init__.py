"""What opening a lot asks for, place by place, and the commented lot file that the answers make; pure.

Answers are a nested mapping of the keys of lot.toml. Here it is decided which are still open, how an
answer typed by a person is read, how an agency's naming pattern makes the lot's name, and how the file is
written. No file is opened and nothing is asked here. Other rooms take what this page names.
"""

from .answers import answer_of, labels_of, merged, units_of, with_answer
from .asked import PLACES, Question, expected, open_questions, read_answer
from .lot_file import lot_text, toml_value
from .names import agency_problems, proposed_name

__all__ = [
    "PLACES",
    "Question",
    "agency_problems",
    "answer_of",
    "expected",
    "labels_of",
    "lot_text",
    "merged",
    "open_questions",
    "proposed_name",
    "read_answer",
    "toml_value",
    "units_of",
    "with_answer",
]
