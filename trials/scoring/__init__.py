"""Scoring by eye: who looks at which patch or pair, in which order, and how often."""

from trials.scoring.orders import HOW_TO_LOOK, chosen_pairs, sittings
from trials.scoring.pairs import PIECE, pairs
from trials.scoring.sitting import Choice, Look, Pair, Round, Scale, Sitting, scores_file

__all__ = [
    "HOW_TO_LOOK",
    "PIECE",
    "Choice",
    "Look",
    "Pair",
    "Round",
    "Scale",
    "Sitting",
    "chosen_pairs",
    "pairs",
    "scores_file",
    "sittings",
]
