"""The shapes that the train picture is made of, in the drawing's own pixels. Pure geometry."""

from __future__ import annotations

from dataclasses import dataclass

from cartridges.models import Kind

ACROSS, DOWN = "across", "down"


@dataclass(frozen=True, slots=True)
class Level:
    """How much of a life is left, 0 to 1: the low, middle and high tenth of outcomes."""

    p10: float
    p50: float
    p90: float

    @property
    def clear_at(self) -> float:
        """Down the glass, the share at which the water's edge begins to show."""
        return tidy(1.0 - self.p90, 4)

    @property
    def half_at(self) -> float:
        return tidy(1.0 - self.p50, 4)

    @property
    def full_at(self) -> float:
        """Down the glass, the share from which the water is certain."""
        return tidy(1.0 - self.p10, 4)


@dataclass(frozen=True, slots=True)
class Box:
    """A rectangle: left, top, width, height."""

    x: float
    y: float
    w: float
    h: float

    @property
    def right(self) -> float:
        return self.x + self.w

    @property
    def bottom(self) -> float:
        return self.y + self.h

    @property
    def middle_x(self) -> float:
        return self.x + self.w / 2

    @property
    def middle_y(self) -> float:
        return self.y + self.h / 2


@dataclass(frozen=True, slots=True)
class Line:
    """A line of text at a point, with the class that styles it."""

    x: float
    y: float
    text: str
    look: str


@dataclass(frozen=True, slots=True)
class Part:
    """One linked part of the drawing: what it is, where, what it says, and its text equivalent."""

    kind: str
    box: Box
    label: str
    lines: tuple[Line, ...]


@dataclass(frozen=True, slots=True)
class Housing:
    """One stage: head, glass, level, state mark, and the lines of text that belong to it."""

    stage_id: int
    kind: str
    part: Part
    head: Box
    glass: Box
    level: Level | None
    state: str
    mark: Box
    uid: str

    @property
    def outline(self) -> str:
        """The glass: straight walls and a rounded foot."""
        g, r = self.glass, min(self.glass.w / 2.6, self.glass.h / 2.6)
        return (
            f"M{g.x:g} {g.y:g}V{g.bottom - r:g}Q{g.x:g} {g.bottom:g} {g.x + r:g} {g.bottom:g}"
            f"H{g.right - r:g}Q{g.right:g} {g.bottom:g} {g.right:g} {g.bottom - r:g}V{g.y:g}Z"
        )

    @property
    def level_line(self) -> str:
        """Where the middle outcome's water stands; empty where nothing is left to mark."""
        if self.level is None or self.level.p50 < 0.04:
            return ""
        y = tidy(self.glass.y + self.glass.h * self.level.half_at)
        return f"M{self.glass.x:g} {y:g}H{self.glass.right:g}"

    @property
    def head_line(self) -> str:
        return f"M{self.head.x:g} {self.head.middle_y:g}h{self.head.w:g}"

    @property
    def grain(self) -> str:
        """What the cartridge is made of, drawn in the glass: windings, rods or grains."""
        g = self.glass
        left, right = g.x + g.w * 0.3, g.right - g.w * 0.3
        top, bottom = g.y + 5, g.bottom - g.h * 0.12
        if self.kind == Kind.SEDIMENT:
            rows = range(int(top) + 4, int(bottom), 8)
            return "".join(f"M{left:g} {y}L{right:g} {y - 4}" for y in rows)
        if self.kind == Kind.CARBON_BLOCK:
            columns = (left, (left + right) / 2, right)
            return "".join(f"M{x:g} {top:g}V{bottom:g}" for x in columns)
        spacing = 9 if self.kind == Kind.CATALYTIC_CARBON else 12
        return "".join(
            f"M{left + ((row % 2) * spacing / 2) + k * spacing:g} {y:g}h2.4"
            for row, y in enumerate(range(int(top) + 4, int(bottom), 9))
            for k in range(int((right - left) // spacing) + 1)
        )

    @property
    def mark_path(self) -> str:
        """The state's shape: a ring, a triangle, a block, or a broken ring."""
        m = self.mark
        if self.state == "soon":
            return f"M{m.middle_x:g} {m.y:g}L{m.right:g} {m.bottom:g}H{m.x:g}Z"
        if self.state == "now":
            return f"M{m.x:g} {m.y:g}H{m.right:g}V{m.bottom:g}H{m.x:g}Z"
        r = m.w / 2
        return f"M{m.x:g} {m.middle_y:g}a{r:g} {r:g} 0 1 0 {m.w:g} 0a{r:g} {r:g} 0 1 0 {-m.w:g} 0Z"

    @property
    def sign(self) -> str:
        """What stands inside the state's shape: a tick, a call, or a dash."""
        m = self.mark
        x, low = m.middle_x, m.bottom - 4.2
        if self.state == "ok":
            return f"M{m.x + 4.5:g} {m.middle_y:g}l3.2 3.4 5.6 -6.4"
        if self.state == "unknown":
            return f"M{x - 3:g} {m.middle_y:g}h6"
        top = m.y + (6.5 if self.state == "soon" else 4)
        return f"M{x:g} {top:g}V{low - 3.4:g}M{x:g} {low:g}v.2"


@dataclass(frozen=True, slots=True)
class Picture:
    """The whole drawing."""

    arrangement: str
    width: float
    height: float
    title: str
    tap: Part
    housings: tuple[Housing, ...]
    restrictor: Part
    tanks: Part
    pipe: str
    throat: str
    drop: tuple[float, float]
    uid: str

    @property
    def tank_water(self) -> Box:
        """The water in the tank, with an air gap above it."""
        tank = self.tanks.box
        top = tidy(tank.y + tank.h * 0.3)
        return Box(tank.x, top, tank.w, tidy(tank.bottom - top))

    @property
    def drop_shape(self) -> str:
        x, y = self.drop
        return f"M{x:g} {y:g}c4 6 5 8 5 10a5 5 0 0 1-10 0c0-2 1-4 5-10z"

    @property
    def tap_shape(self) -> str:
        """Body, stem and handle of the tap; across, its spout hangs at the left."""
        if self.arrangement == ACROSS:
            return "M28 53h44v18H32v21H16V63q0-10 12-10z M44 53v-11h12v11 M32 36h36v6H32z"
        return "M6 20h46v11H6z M24 20v-8h9v8 M14 6h29v6H14z"


def tidy(value: float, digits: int = 1) -> float:
    return round(value, digits)
