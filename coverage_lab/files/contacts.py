"""What the run sheet's column `contact_seen` says: which decoys the engineer saw the robot touch."""

from __future__ import annotations

import re

from coverage_lab.errors import Problem
from coverage_lab.files.checking import MistakeError, quoted, suggest
from coverage_lab.job import Night, Run
from coverage_lab.measures.verdict import Seen
from coverage_lab.room.room import Room

_NONE = ("none", "no")


def contacts_seen(text: str | None, room: Room) -> Seen | None:
    """Return the decoys named in a cell, set apart by commas, semicolons or plus signs; None for an empty cell.

    `none` says that the engineer looked and saw no contact. Raises MistakeError for a name that no decoy has.
    """
    if text is None:
        return None
    names = {decoy.name.casefold(): decoy.name for decoy in room.decoys}
    words = [text] if text.casefold() in names else [word.strip() for word in re.split(r"[,;+]", text)]
    if [word.casefold() for word in words] in ([name] for name in _NONE):
        return Seen(frozenset())
    unknown = [word for word in words if word.casefold() not in names]
    if unknown:
        mend = suggest(unknown[0], names.values(), 'Name the decoys that were touched, or write "none"')
        raise MistakeError(f"{quoted(unknown[0])} is no decoy of the room", mend)
    return Seen(frozenset(names[word.casefold()] for word in words))


def trial_problems(run: Run, night: Night, room: Room) -> list[Problem]:
    """Return what is wrong with an avoidance trial in this room: no decoys, or contacts with things that are none."""
    if run.trial != "avoidance":
        return []
    if not room.decoys:
        mend = 'Draw the decoys with "role": "decoy", or make the trial a coverage run'
        return [Problem(night.room, "", f"has no decoy, and {run.id} is an avoidance trial", mend)]
    try:
        contacts_seen(run.contact_seen, room)
    except MistakeError as mistake:
        place = f"run {run.id}, column contact_seen"
        return [Problem(night.folder / "runs.csv", place, mistake.wrong, mistake.mend)]
    return []
