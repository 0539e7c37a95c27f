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
    def middle_y(self) -> float | None:
        """Where the middle outcome's water stands; None where nothing is left to mark."""
        if self.level is None or self.level.p50 < 0.04:
            return None
        return tidy(self.glass.y + self.glass.h * self.level.half_at)

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
    def water_y(self) -> float:
        """Top of the water in the tank."""
        return tidy(self.tanks.box.y + self.tanks.box.h * 0.3)

    @property
    def water_h(self) -> float:
        return tidy(self.tanks.box.bottom - self.water_y)


def tidy(value: float, digits: int = 1) -> float:
    return round(value, digits)
