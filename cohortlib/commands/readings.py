"""The store of readings of a study: take tables in, set up worklists, see how far they are, close, open."""

from __future__ import annotations

import argparse
from pathlib import Path

from cohortlib.errors import study_error
from cohortlib.readings import open_readings
from cohortlib.readings.locking import Lock
from cohortlib.readings.showing import State
from cohortlib.readings.store import Readings
from cohortlib.report.problems import counted
from cohortlib.study import read_study
from cohortlib.study.readings_import import import_readings
from cohortlib.study.stored_readings import store_place


def run_readings(chosen: argparse.Namespace) -> int:
    """Do what was asked, and say what was done.

    Raises
    ------
    StudyError
        If the study, the store or an option is not what it should be.
    """
    if chosen.action != "progress" and not chosen.who:
        raise _option_needed("--who", "the id of the person who does this")
    if chosen.action == "import":
        return _import(chosen.folder, who=chosen.who)
    if chosen.action == "worklist":
        from cohortlib.commands.worklist import write_next_worklist

        return write_next_worklist(
            chosen.folder, who=chosen.who, task=chosen.task, visits=chosen.visit, views=chosen.view
        )
    if chosen.action == "adjudicate":
        from cohortlib.commands.adjudication import write_adjudication_list

        return write_adjudication_list(chosen.folder, who=chosen.who)
    place = store_place(chosen.folder, read_study(chosen.folder, readings=False).readings)
    with open_readings(place, write=False) as store:
        if chosen.action == "progress":
            return _print_progress(store)
    with open_readings(place) as store:
        if chosen.action == "lock":
            lock = store.lock(who=chosen.who, accept_unfinished=chosen.accept_unfinished)
            print(f"Locked by {lock.who} on {lock.locked_at}: {_rows(lock)}.")
            print(f"SHA-256 of the readings that stand: {lock.sha256}")
            return 0
        if not chosen.reason:
            raise _option_needed("--reason", "why the readings are unblinded now")
        key = store.unblind(who=chosen.who, reason=chosen.reason)
        print(
            f"Unblinded: the study shows its readings, {counted(len(key), 'item')} of worklists among them."
        )
    return 0


def _import(folder: Path, *, who: str) -> int:
    for row in import_readings(folder, who=who).to_dict("records"):
        known = row["n_rows"] - row["n_new"]
        print(f"{row['file']}: {counted(row['n_new'], 'row')} taken in, {known} were there.")
        if row["left_out"]:
            print(f"  The store has no place for {row['left_out']}: it stays in the file only.")
    return 0


def _print_progress(store: Readings) -> int:
    state = store.shown().state
    print(f"{store.place}: {_rows(state)} shown.")
    if state.n_marks_hidden or state.n_gradings_hidden or state.n_grades_hidden:
        hidden = _counted_rows(state.n_marks_hidden, state.n_gradings_hidden, state.n_grades_hidden)
        print(f"Hidden until the store is unblinded: {hidden}.")
    for row in store.progress().to_dict("records"):
        opens = row["opens_at"]
        until = "" if opens is None or opens != opens else f", not before {opens:%Y-%m-%d %H:%M} UTC"
        finished = f"{row['n_finished']} of {counted(row['n_items'], 'item')}"
        print(f"  {row['reader_id']} session {row['session']}: {finished}{until}")
    if state.n_adjudicated:
        print(f"Decided by a third reader: {counted(state.n_adjudicated, 'image')}.")
    print(f"Locked by {state.locked_by} on {state.locked_at}." if state.locked_at else "Not locked.")
    if state.unblinded_at:
        print(f"Unblinded by {state.unblinded_by} on {state.unblinded_at}.")
    return 0


def _rows(found: Lock | State) -> str:
    return _counted_rows(found.n_marks, found.n_gradings, found.n_grades)


def _counted_rows(n_marks: int, n_gradings: int, n_grades: int) -> str:
    marks, gradings = counted(n_marks, "mark"), counted(n_gradings, "grading")
    # Most studies grade zones alone: grades are told where there are any.
    return f"{marks}, {gradings} and {counted(n_grades, 'grade')}" if n_grades else f"{marks} and {gradings}"


def _option_needed(option: str, meaning: str) -> Exception:
    return study_error(
        column=option, found="nothing", expected=meaning, remedy=f"Give {option}; --help tells all options"
    )
