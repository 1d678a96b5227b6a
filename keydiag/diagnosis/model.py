"""What a diagnosis says, as published: the models behind `--json` and its schema.

Plain values only; how they come about stands in the other modules of this room.
"""

from __future__ import annotations

from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

Verdict = Literal["pass", "faults", "incomplete"]


class _Frozen(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class Member(_Frozen):
    """One fault of an ambiguity group."""

    kind: str = Field(description="kind of fault, from the catalogue")
    at: tuple[str, ...] = Field(description="addresses on the board")
    probability: float = Field(ge=0, le=1, description="probability that this fault is present")
    words: str = Field(description="the fault in plain words")
    repair: str = Field(description="what to do about it")
    cost: float = Field(description="joints touched by the usual repair")


class Outcome(_Frozen):
    """What one possible answer to a test would mean."""

    answer: str = Field(description="what would be seen, in plain words")
    means: tuple[str, ...] = Field(description="the faults that predict this answer, best first")
    probability: float = Field(ge=0, le=1)


class NextTest(_Frozen):
    """A test worth making, with what each answer would mean."""

    what: str = Field(description="what to do, in plain words")
    kind: Literal["press", "chord", "meter"]
    gain_bits: float = Field(ge=0, description="expected information, in bits")
    cost: float = Field(gt=0, description="effort; one press of one key costs 1")
    keys: tuple[str, ...] = Field(default=(), description="keys to hold")
    points: tuple[str, ...] = Field(default=(), description="where the red and black leads go")
    code: str = Field(default="", description="the test in short, to give the answer with")
    outcomes: tuple[Outcome, ...] = ()


class Finding(_Frozen):
    """A fault, or a group of faults no test so far can tell apart."""

    probability: float = Field(ge=0, le=1, description="probability that one of them is present")
    title: str
    members: tuple[Member, ...]
    evidence: tuple[str, ...] = Field(description="what was seen, one sentence each")
    explanation: str = Field(description="what that means, where to put the iron, what else")
    repair: str
    cautions: tuple[str, ...]
    what_else: tuple[str, ...] = Field(description="other explanations, with probabilities")
    next_tests: tuple[NextTest, ...]
    retest: tuple[str, ...] = Field(description="keys to press after the repair")
    expected_joints: float = Field(description="joints touched on average until it is found")


class CannotJudge(_Frozen):
    """A key hidden behind another fault."""

    key: str
    until: tuple[str, ...] = Field(description="what must be repaired first")


class Diagnosis(_Frozen):
    """Everything a half's evidence says."""

    verdict: Verdict
    findings: tuple[Finding, ...]
    cannot_judge: tuple[CannotJudge, ...]
    press_again: tuple[str, ...] = Field(description="keys whose press is in doubt")
    not_pressed: tuple[str, ...] = Field(description="keys never pressed so far")
    fickle: tuple[str, ...] = Field(description="keys that answered differently on two presses")
    cut_short: bool = Field(
        default=False,
        description="so much is wrong that not everything was weighed: repair, then press again",
    )
    contradictions: tuple[str, ...] = Field(
        default=(), description="meter readings that contradict everything else, one sentence each"
    )
