"""The train picture: where every part of the drawing lies, in either arrangement.

A template turns it into SVG. Water runs left to right (``across``) or, for a narrow screen, top to
bottom (``down``).
"""

from __future__ import annotations

import datetime as dt

from django.utils import timezone

from cartridges.models import Estimate

from . import picture_words as words
from .overview import StageNow, TrainNow
from .picture_shapes import ACROSS, DOWN, Box, Housing, Level, Line, Part, Picture


def pictures(now: TrainNow, *, units: str, moment: dt.datetime | None = None) -> list[Picture]:
    """Both arrangements of one train, for the style sheet to choose from."""
    moment = moment or timezone.now()
    said = words.say(now, units=units)
    return [across(now, said, moment=moment), down(now, said, moment=moment)]


def level_of(estimate: Estimate, *, moment: dt.datetime) -> Level:
    """What is left of a cartridge's life: days to go over days gone and to go, by each date.

    The days already include every cause, so the glass is empty on the day that the figure below
    it says nought. A date beyond the horizon of ten years leaves the glass full.
    """
    gone = max(0.0, (moment - estimate.fitted_at).total_seconds())

    def left(until: dt.datetime | None) -> float:
        if until is None:
            return 1.0
        to_go = max(0.0, (until - moment).total_seconds())
        return to_go / (gone + to_go) if to_go else 0.0

    return Level(left(estimate.p10_at), left(estimate.p50_at), left(estimate.p90_at))


# --- left to right -------------------------------------------------------------------------------

_A_PIPE_Y, _A_PITCH, _A_FIRST = 62.0, 168.0, 112.0
_A_GLASS_W, _A_GLASS_H = 84.0, 150.0
_A_HEIGHT = 332.0


def across(now: TrainNow, said: words.TrainSaid, *, moment: dt.datetime) -> Picture:
    """Tap, housings, restrictor and tanks in one row; words below each."""
    uid = f"t{now.train.pk}a"
    tap = Part(
        "tap",
        Box(8, 24, 84, 292),
        said.tap.label,
        _stacked(50, 252, said.tap.lines, start=False),
    )
    housings = []
    for k, (stage, spoken) in enumerate(zip(now.stages, said.stages, strict=True)):
        x = _A_FIRST + k * _A_PITCH
        glass = Box(x + (_A_PITCH - _A_GLASS_W) / 2, _A_PIPE_Y + 16, _A_GLASS_W, _A_GLASS_H)
        head = Box(glass.x - 9, _A_PIPE_Y - 16, glass.w + 18, 32)
        lines = (
            Line(glass.middle_x, 26, spoken.name, "name"),
            *_stacked(glass.middle_x, 252, spoken.lines, start=False),
        )
        housings.append(
            _housing(
                stage,
                uid=uid,
                said=spoken,
                moment=moment,
                box=Box(x + 6, 8, _A_PITCH - 12, _A_HEIGHT - 16),
                head=head,
                glass=glass,
                mark=Box(glass.right + 6, glass.y + 6, 18, 18),
                lines=lines,
            )
        )
    x = _A_FIRST + len(now.stages) * _A_PITCH + 8
    restrictor = Part(
        "restrictor",
        Box(x, 24, 120, 292),
        said.restrictor.label,
        _stacked(x + 60, 252, said.restrictor.lines, start=False),
    )
    tank = Box(x + 140, _A_PIPE_Y + 66, 128, 100)
    tanks = Part(
        "tanks",
        tank,
        said.tanks.label,
        _stacked(tank.middle_x, 252, said.tanks.lines, start=False),
    )
    spout_x = tank.middle_x
    pipe = (
        f"M50 {_A_PIPE_Y:g}H{spout_x - 12:g}"
        f"Q{spout_x:g} {_A_PIPE_Y:g} {spout_x:g} {_A_PIPE_Y + 12:g}V{_A_PIPE_Y + 24:g}"
    )
    return Picture(
        arrangement=ACROSS,
        width=tank.right + 12,
        height=_A_HEIGHT,
        title=said.title,
        tap=tap,
        housings=tuple(housings),
        restrictor=restrictor,
        tanks=tanks,
        pipe=pipe,
        throat=_throat(x + 60, _A_PIPE_Y, half=26, bore=14),
        drop=(spout_x, _A_PIPE_Y + 34),
        uid=uid,
    )


# --- top to bottom -------------------------------------------------------------------------------

_D_WIDTH, _D_TEXT_X = 340.0, 120.0
_D_LEFT, _D_RIGHT = 14.0, 104.0
_D_TAP_H, _D_ROW, _D_FIRST = 44.0, 104.0, 48.0
_D_GLASS = Box(32, 0, 54, 64)


def down(now: TrainNow, said: words.TrainSaid, *, moment: dt.datetime) -> Picture:
    """The same parts in one column; words to the right of each; the pipe loops between rows."""
    uid = f"t{now.train.pk}d"
    tap = Part(
        "tap",
        Box(0, 0, _D_WIDTH, _D_TAP_H),
        said.tap.label,
        _stacked(_D_TEXT_X, 18, said.tap_short, start=True),
    )
    pipe = [f"M{_D_LEFT:g} 26"]
    housings = []
    for k, (stage, spoken) in enumerate(zip(now.stages, said.stages, strict=True)):
        top = _D_FIRST + k * _D_ROW
        port_y = top + 10
        head = Box(_D_GLASS.x - 6, top, _D_GLASS.w + 12, 20)
        glass = Box(_D_GLASS.x, top + 20, _D_GLASS.w, _D_GLASS.h)
        lines = (
            Line(_D_TEXT_X, top + 14, spoken.name, "name start"),
            *_stacked(_D_TEXT_X, top + 37, spoken.lines, start=True),
        )
        housings.append(
            _housing(
                stage,
                uid=uid,
                said=spoken,
                moment=moment,
                box=Box(0, top - 4, _D_WIDTH, _D_ROW),
                head=head,
                glass=glass,
                mark=Box(_D_WIDTH - 24, top + 2, 16, 16),
                lines=lines,
            )
        )
        pipe.append(
            f"V{port_y - 8:g}q0 8 8 8H{_D_RIGHT - 8:g}q8 0 8 8V{top + 88:g}q0 6 -6 6"
            f"H{_D_LEFT + 6:g}q-6 0 -6 6"
        )
    end = _D_FIRST + len(now.stages) * _D_ROW
    restrictor = Part(
        "restrictor",
        Box(0, end, _D_WIDTH, 62),
        said.restrictor.label,
        _stacked(_D_TEXT_X, end + 18, said.restrictor.lines, start=True),
    )
    tank = Box(36, end + 66, 58, 40)
    tanks = Part(
        "tanks",
        tank,
        said.tanks.label,
        _stacked(_D_TEXT_X, end + 80, said.tanks.lines, start=True),
    )
    spout_x = tank.middle_x
    pipe.append(f"V{end + 14:g}q0 8 8 8H{spout_x - 8:g}q8 0 8 8V{end + 44:g}")
    return Picture(
        arrangement=DOWN,
        width=_D_WIDTH,
        height=tank.bottom + 18,
        title=said.title,
        tap=tap,
        housings=tuple(housings),
        restrictor=restrictor,
        tanks=tanks,
        pipe="".join(pipe),
        throat=_throat(70, end + 22, half=20, bore=11),
        drop=(spout_x, end + 52),
        uid=uid,
    )


def _housing(
    stage: StageNow,
    *,
    uid: str,
    said: words.StageSaid,
    moment: dt.datetime,
    box: Box,
    head: Box,
    glass: Box,
    mark: Box,
    lines: tuple[Line, ...],
) -> Housing:
    estimate = stage.estimate
    return Housing(
        stage_id=stage.stage.pk,
        kind=stage.stage.kind,
        part=Part("housing", box, said.label, lines),
        head=head,
        glass=glass,
        level=None if estimate is None else level_of(estimate, moment=moment),
        state=said.state,
        mark=mark,
        uid=f"{uid}s{stage.stage.position}",
    )


_STEP = {"name": 20.0, "days": 19.0, "small": 17.0}


def _stacked(x: float, y: float, lines_of: words.Words, *, start: bool) -> tuple[Line, ...]:
    """Lines of text below each other from (x, y), centred on x or starting there."""
    lines = []
    for text, look in lines_of:
        lines.append(Line(x, y, text, f"{look} start" if start else look))
        y += _STEP[look]
    return tuple(lines)


def _throat(x: float, y: float, *, half: float, bore: float) -> str:
    """The restrictor, a body that narrows to a throat, centred on (x, y)."""
    left, right, thin = x - half, x + half, bore / 3
    return (
        f"M{left:g} {y - bore:g}L{x:g} {y - thin:g}L{right:g} {y - bore:g}"
        f"V{y + bore:g}L{x:g} {y + thin:g}L{left:g} {y + bore:g}Z"
    )
