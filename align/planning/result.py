"""A plan: its findings, and how they are written as JSON."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from .findings import PlanFindings
from .plan_json import plan_to_json


@dataclass(frozen=True, eq=False)
class PlanResult(PlanFindings):
    """Everything that the plan found (`findings.PlanFindings`)."""

    def to_json(self) -> dict[str, Any]:
        """The contract's "align-plan-1" object."""
        return plan_to_json(self)
