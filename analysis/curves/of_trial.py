"""The curves asked of a trial: answers with their numbers and one plain sentence each.

`lap_window` says how long an edge may wait (and its ``window_against`` holds a real piece to it), `dark_enough` which
load reaches a darkness, `strength` how many times the load of one carrier another needs. What a trial cannot tell,
they say; they raise nothing for it.
"""

from analysis.curves.laps import AgainstPiece, LapWindow, PieceAnswer, lap_window
from analysis.curves.loads import CarrierStrength, DarkEnough, LoadNeeded, Strength, dark_enough, strength
from analysis.curves.waits import Wait

__all__ = [
    "AgainstPiece",
    "CarrierStrength",
    "DarkEnough",
    "LapWindow",
    "LoadNeeded",
    "PieceAnswer",
    "Strength",
    "Wait",
    "dark_enough",
    "lap_window",
    "strength",
]
