"""What a reader should know before leaning on the figures.

Pure reading of what the last calculation left behind: no query, no model.
"""

from __future__ import annotations

from collections.abc import Iterator

from django.utils import timezone

from cartridges.models import OutletTest

from .measures import in_mg
from .overview import TrainNow

THIN_MEMBERS = 100.0
SHAKY_SPREAD = 0.1
"""Below this many effective members, or above this relative spread of the median day between
replicates, the answer is called rough. Both are our own judgement."""
MAY_NOT_HOLD = 0.1
"""Probability above which it is said that not even new carbon may hold the limit."""


def how_sure(now: TrainNow) -> list[str]:
    """What a reader should know before leaning on the figures; empty where all is well."""
    said = list(_too_weak(now))
    found = now.summary
    members, spread = found.get("effective_members"), found.get("replicate_spread")
    said += _odd_tests(now)
    if found.get("two_humped"):
        said.append(
            "The outcomes fall into two groups, so no single day describes them. Look at the "
            "curve, and test more often."
        )
    thin = members is not None and members < THIN_MEMBERS
    if thin or (spread is not None and spread > SHAKY_SPREAD):
        said.append(
            "Few of the modelled outcomes agree with your tests, so these days are rough. "
            "One more test behind the first carbon helps most."
        )
    return said


def _too_weak(now: TrainNow) -> Iterator[str]:
    """Stages whose cartridge could not keep the limit even when new, and why."""
    limit = now.train.limit_mg_l
    if not now.carbon or now.carbon[-1].estimate is None:
        return
    last = now.carbon[-1]
    share = last.estimate.cannot_hold_share if last.estimate else None
    if not last.holds(limit):
        fresh = last.estimate.fresh_outlet_mg_l if last.estimate else None
        yield (
            f"Even with a new last carbon, {in_mg(fresh)} would reach the tanks, above your "
            f"limit of {limit:.2f}\u00a0mg/L. {_remedy(now)}"
        )
        return
    if share is not None and share > MAY_NOT_HOLD:
        yield (
            f"It is not sure that this train can hold your limit of {limit:.2f}\u00a0mg/L, even "
            f"with new carbon: about {share:.0%} of the modelled outcomes say no. Test behind the "
            f"last stage. {_remedy(now)}"
        )
    weak = [s for s in now.carbon[:-1] if not s.holds(limit)]
    if weak:
        numbers = " and ".join(str(s.stage.position) for s in weak)
        yield (
            f"Stage {numbers} alone cannot hold your limit, even when new. Its days are counted "
            "to when the limit is reached after the last stage."
        )


def _remedy(now: TrainNow) -> str:
    """What helps where new carbon does not."""
    free, total = now.summary.get("inlet_free_mg_l"), now.summary.get("inlet_total_mg_l")
    combined = (total or 0.0) - (free or 0.0)
    if now.disinfectant == "chlorine" and combined > now.train.limit_mg_l:
        return (
            f"What passes is the {combined:.2f}\u00a0mg/L of combined chlorine in the tap, which "
            "ordinary carbon takes up slowly: catalytic carbon, a slower drip or a larger "
            "cartridge helps, a new cartridge of the same kind does not."
        )
    return (
        "A slower drip, a larger cartridge or one more carbon stage gives the water the contact "
        "time that it lacks; a new cartridge of the same kind does not."
    )


def _odd_tests(now: TrainNow) -> Iterator[str]:
    """Recent tests that model and kit cannot both be right about, until a later one answers."""
    odd = set(now.summary.get("unreconciled") or [])
    for stage in now.stages:
        if stage.recent and f"{OutletTest.KIND}/{stage.recent[-1].pk}" in odd:
            test = stage.recent[-1]
            when = timezone.localtime(test.at).strftime("%-d %b")
            value = f"{'below ' if test.below else ''}{test.value_mg_l:.2f}\u00a0mg/L"
            yield (
                f"The test of {when} behind stage {stage.stage.position} ({value}) does not fit "
                "with the rest of what is known. Test again; until then trust the worse of the two."
            )
