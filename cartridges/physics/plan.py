"""The renewals that a train asks for, from the beds as they are today to a horizon."""

from __future__ import annotations

from .plan_data import POLICIES, Policy, Renewal, Renewals, Visit
from .train_data import TrainInputs
from .visits import merge_visits

__all__ = [
    "POLICIES",
    "Policy",
    "Renewal",
    "Renewals",
    "Visit",
    "merge_visits",
    "simulate_renewals",
]

DEFAULT_MEMBERS = 1024
DEFAULT_SEED = 20
PLAN_DAYS = 730.0


def simulate_renewals(
    inputs: TrainInputs,
    *,
    now_day: float,
    policy: Policy,
    horizon_days: float = PLAN_DAYS,
    members: int = DEFAULT_MEMBERS,
    seed: int = DEFAULT_SEED,
) -> Renewals:
    """All renewals from now to now_day + horizon_days under a policy."""
    raise NotImplementedError
