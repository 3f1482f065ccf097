"""What was found about the identity of points, with its evidence in numbers; data alone, fit for JSON."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass
from typing import Any

from plantview.checks.correction import Correction, Edit
from plantview.checks.law import Kept
from plantview.model.reading import Frame, Reading, bad


@dataclass(frozen=True, slots=True)
class Evidence:
    """One law before and after a correction was tried; numbers in SI units of calculations."""

    law: str
    words: str
    quantity: str
    before: float | None
    after: float | None
    """None where the correction leaves nothing to judge, or a formula has no answer."""
    low: float
    high: float
    rows: int
    failed: bool
    closes: bool
    judged_after: bool


@dataclass(frozen=True, slots=True)
class Proposal:
    """A correction that would close the laws, with what it does to each."""

    kind: str
    words: str
    remedy: str
    points: tuple[str, ...]
    edits: tuple[Edit, ...]
    refrigerant: tuple[str, str, str] | None
    misfit: float
    """Mean distance from what is expected, in half widths of what is allowed: the smaller the better."""
    evidence: tuple[Evidence, ...]


@dataclass(frozen=True, slots=True)
class Finding:
    """Points that contradict their balances, and what may be the matter, most likely first."""

    id: str
    words: str
    points: tuple[str, ...]
    """Every point that one of the proposals doubts: their readings are withheld until a person decides."""
    laws: tuple[str, ...]
    """Laws that are broken."""
    from_ms: int
    to_ms: int
    proposals: tuple[Proposal, ...]

    def row(self) -> dict[str, Any]:
        """Return it as JSON-able data."""
        return asdict(self)


def finding_of(row: Mapping[str, Any]) -> Finding:
    """Return a finding from its row; KeyError or TypeError if it is none."""
    proposals = tuple(
        Proposal(
            **{
                **each,
                "points": tuple(each["points"]),
                "edits": tuple(Edit(edit["point"], tuple((str(a), str(b)) for a, b in edit["cells"])) for edit in each["edits"]),
                "refrigerant": None if each["refrigerant"] is None else tuple(each["refrigerant"]),
                "evidence": tuple(Evidence(**one) for one in each["evidence"]),
            }
        )
        for each in row["proposals"]
    )  # fmt: skip
    return Finding(
        row["id"], row["words"], tuple(row["points"]), tuple(row["laws"]), row["from_ms"], row["to_ms"], proposals
    )


def proposal_of(
    correction: Correction, before: Mapping[str, Kept], after: Mapping[str, Kept], misfit: float
) -> Proposal:
    """Return a correction with its evidence."""
    evidence = tuple(
        Evidence(
            name, kept.law.words, kept.law.quantity, _short(kept.value), _short(after[name].value),
            _short(kept.range[0]) or 0.0, _short(kept.range[1]) or 0.0, kept.rows, kept.fails, after[name].closes,
            after[name].judged,
        )
        for name, kept in before.items()
    )  # fmt: skip
    return Proposal(correction.kind, correction.words, correction.remedy, correction.points, correction.edits,
                    correction.refrigerant, round(misfit, 3), evidence)  # fmt: skip


def _short(value: float | None) -> float | None:
    return None if value is None else float(f"{value:.4g}")


def withheld(frame: Frame, reasons: Mapping[str, str]) -> Frame:
    """Return a frame in which doubted points have no number; whatever needs them is then unknown by itself."""
    if not reasons:
        return frame
    changed = {name: bad(why, frame.reading(name).at_ms) for name, why in reasons.items() if name in frame.readings}
    readings: Mapping[str, Reading] = {**frame.readings, **changed}
    return Frame(frame.seq, frame.at_ms, readings)


def reasons(findings: Iterable[Finding]) -> dict[str, str]:
    """Return why each doubted point is withheld."""
    return {point: f"{finding.words}: see findings" for finding in findings for point in finding.points}
