"""Shapes proposed at the pad: shown on request, stored only when the reader takes them."""

from __future__ import annotations

import numpy as np
import pytest
from pad_sittings import COLUMNS, HIDDEN, RING, ROWS, a_head, pad_at, reading_store

from cohortlib.errors import StudyError
from cohortlib.measure.proposals import Proposal, component_proposals
from cohortlib.widgets.pad.plan import MarkStep
from cohortlib.widgets.pad.proposing import TAKEN, spread_marks

NOWHERE = np.empty((0, 2))
PLAN = {"head_edge": 3, "teardrop": 1, "stem_tip": 1}


def found(film):
    """A head on the left; a teardrop that is not credible; nothing of the tip."""
    return [*a_head(film), Proposal("teardrop", "left", NOWHERE, NOWHERE, 0.0, "no two teardrops are seen")]


@pytest.fixture
def store(tmp_path):
    with reading_store(tmp_path, sides="left") as made:
        yield made


@pytest.fixture
def pad(store):
    # The teardrop of the other side is asked for first.
    made = pad_at(store, plan=PLAN, proposals_of=found)
    made.choose([step.words for step in made.steps].index("left head edge"))
    return made


# by hand


def test_a_proposal_is_no_mark_before_it_is_taken(pad, store):
    assert pad.proposal is None
    pad.propose()
    assert pad.proposal.words == "confidence 0.72: little of the dome is seen"
    assert len(pad.marks()) == len(store.marks()) == 0
    assert pad.take_proposal() == [1, 2, 3]
    assert pad.marks()["landmark"].tolist() == ["head_edge"] * 3
    np.testing.assert_allclose(pad.marks()[["x_px", "y_px"]], RING[[0, 3, 6]], atol=0.01)
    assert set(store.marks()["reason"]) == {TAKEN}
    assert pad.proposal is None
    assert pad.steps[pad.asked].words != "left head edge"


def test_taken_marks_are_moved_and_undone_as_any_other(pad, store):
    pad.propose()
    pad.take_proposal()
    pad.move_mark(2, x_px=50.0, y_px=60.0)
    assert sorted(store.marks()["reason"]) == ["moved", TAKEN, TAKEN]
    for _ in range(4):
        pad.undo()
    assert len(pad.marks()) == 0


def test_left_alone_nothing_stays(pad, store):
    pad.propose()
    pad.leave_proposal()
    assert pad.proposal is None
    assert len(store.marks()) == 0


def test_the_browser_is_told_the_outline_and_how_sure_it_is(pad):
    assert pad.scene["proposes"]
    assert pad.scene["proposal"] is None
    pad.propose()
    told = pad.scene["proposal"]
    assert set(told) == {"outline", "marks", "words"}
    assert len(told["marks"]) == 3
    assert not [word for word in HIDDEN if word in str(pad.scene)]


def test_the_hand_asks_by_name(pad, store):
    for number, action in enumerate(("propose", "take_proposal"), start=1):
        pad._hear(pad, {"action": action, "given": {}, "number": number}, [])
        assert pad.scene["notice"] == ""
    assert len(store.marks()) == 3


# by law


@pytest.mark.parametrize("asked", [1, 2, 3, 5, 9, 12])
def test_marks_lie_on_the_shape_apart_from_each_other(asked):
    marks = spread_marks(RING, MarkStep("left", "head_edge", asked))
    assert len(np.unique(marks, axis=0)) == min(asked, len(RING))
    assert {tuple(mark) for mark in marks} <= {tuple(point) for point in RING}


def test_another_step_or_film_has_no_proposal_of_this_one(pad):
    pad.propose()
    pad.choose(0)
    assert pad.proposal is None
    pad.choose([step.words for step in pad.steps].index("left head edge"))
    assert pad.proposal is not None
    pad.finish(remark="not seen")
    assert pad.proposal is None


def test_a_film_is_looked_at_once(store):
    looked = []
    pad = pad_at(store, plan={"head_edge": 3}, proposals_of=lambda film: looked.append(1) or found(film))
    pad.propose()
    pad.leave_proposal()
    pad.propose()
    assert len(looked) == 1


# by recovery


def test_an_empty_film_has_nothing_to_propose(store):
    pad = pad_at(store, plan={"head_edge": 3}, proposals_of=component_proposals)
    with pytest.raises(StudyError, match="Mark by hand"):
        pad.propose()


# by failure


def test_what_is_not_credible_is_not_proposed_and_says_why(pad):
    pad.choose([step.words for step in pad.steps].index("left teardrop"))
    with pytest.raises(StudyError, match="no two teardrops are seen"):
        pad.propose()
    pad.choose([step.words for step in pad.steps].index("left stem tip"))
    with pytest.raises(StudyError, match="not looked for"):
        pad.propose()


def test_proposed_marks_and_those_of_the_hand_are_not_mixed(pad, store):
    pad.add_mark("head_edge", side="left", x_px=10.0, y_px=10.0)
    pad.propose()
    with pytest.raises(StudyError, match="marks on left head edge already"):
        pad.take_proposal()
    assert len(store.marks()) == 1


def test_nothing_is_stored_of_a_shape_that_leaves_the_film(store):
    off = np.add(RING, [COLUMNS, ROWS])
    pad = pad_at(
        store,
        plan={"head_edge": 3},
        proposals_of=lambda _: [Proposal("head_edge", "left", off, off, 0.9)],
    )
    pad.propose()
    with pytest.raises(StudyError, match="Mark on the film"):
        pad.take_proposal()
    assert len(store.marks()) == 0


def test_without_proposals_there_is_nothing_to_ask_for(store):
    pad = pad_at(store, plan={"head_edge": 3})
    assert not pad.scene["proposes"]
    with pytest.raises(StudyError, match="proposals_of"):
        pad.propose()
    with pytest.raises(StudyError, match="nothing proposed"):
        pad.take_proposal()
