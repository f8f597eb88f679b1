"""The mixing sheet: every batch of a trial with what to weigh and measure."""

from __future__ import annotations

from trials import cautions
from trials.folder import Trial
from trials.mixing import Batch, Mixing, volume_words
from trials.sheets import plain_sheet
from trials.sheets.plain_sheet import Grid


def document(trial: Trial, mixing: Mixing, paper: str) -> bytes:
    """Set the batches: a list of them first, then each with what to weigh and measure."""
    opening = [
        "Not blind: it names what goes on the boards. Mix each batch in one go for all its pieces: a second batch is "
        "never quite the first. The maker's sheet comes before anything printed here.",
    ]
    rows = [[str(at), _batch_name(one), volume_words(one.made_ml)] for at, one in enumerate(mixing.batches, start=1)]
    over = ("All batches", (), (Grid(("", "batch", "make"), rows, (True, False, False), (0, 2, 2)),))
    each = [(f"{at}. {_batch_name(one)}", one.lines()[1:], ()) for at, one in enumerate(mixing.batches, start=1)]
    left = [("Not reckoned", mixing.left_out, ())] if mixing.left_out else []
    return plain_sheet.document(
        trial, paper, "Mixing sheet", "Keep apart from the scoring.", opening, [over, *each, *left],
        cautions.named(mixing.cautions, trial.plan),
    )  # fmt: skip


def _batch_name(batch: Batch) -> str:
    levels = ", ".join(level for _, level in batch.levels)
    return f"{batch.kind[:1].upper()}{batch.kind[1:]}: {batch.what}" + (f" ({levels})" if levels else "")
