"""Where one is in a film, and how fast it runs.

Here: `Player`, pure but for the film that grows behind it: it is told the time and never asks for
it. Not here: making the film (film.py), keys and widgets (replay_screen.py).
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right

from keydiag.screen.film import Film, Frame

__all__ = ["AT_ONCE", "SPEEDS", "Player", "clock", "parse_speed", "speed_words"]

AT_ONCE = math.inf
SPEEDS = (0.25, 0.5, 1.0, 2.0, 4.0, 8.0, 16.0, 32.0, 64.0, AT_ONCE)


def parse_speed(text: str) -> float:
    """A speed as it is typed: "4", "0.5", "1/4", "once". ValueError if it is none."""
    if text in ("once", "at once"):
        return AT_ONCE
    over, slash, under = text.partition("/")
    speed = float(over) / (float(under) if slash else 1.0) if not slash or float(under) else 0.0
    if not 0.01 <= speed <= 10_000:  # false for nan, too
        raise ValueError(text)
    return speed


def speed_words(speed: float) -> str:
    """A speed to read."""
    if speed == AT_ONCE:
        return "at once"
    return f"x1/{1 / speed:g}" if speed < 1 else f"x{speed:g}"


def clock(t_us: int) -> str:
    """Journal time to read: minutes, seconds and tenths, hours if there are any."""
    tenths = t_us // 100_000
    minutes, rest = divmod(tenths, 600)
    hours, minutes = divmod(minutes, 60)
    told = f"{minutes}:{rest // 10:02}.{rest % 10}"
    return f"{hours}:{told.rjust(7, '0')}" if hours else told


class Player:
    """at: number of the frame on show. t_us: journal time, which may be past that frame's."""

    def __init__(self, film: Film, speed: float = 1.0) -> None:
        self.film, self.speed = film, speed
        self.at = 0
        self.t_us = 0
        self.playing = False
        self._wound_s: float | None = None  # when t_us was last moved on
        self.to_the_end = False  # to be at the end as soon as there is one

    @property
    def frame(self) -> Frame:
        """The frame on show."""
        return self.film.frames[self.at]

    @property
    def at_end(self) -> bool:
        """True on the last frame of a complete film."""
        return self.film.complete and self.at == len(self.film.frames) - 1

    @property
    def length_us(self) -> int:
        """Journal time at the end, as far as it is known."""
        return self.film.times[-1]

    @property
    def seen(self) -> int:
        """How many observations lie behind, that of the frame on show included."""
        return bisect_right(self.film.marks, self.at)

    # --- running ---

    def tick(self, now_s: float) -> None:
        """It is `now_s` on a clock that only grows: move on, if it is playing."""
        before_s, self._wound_s = self._wound_s, now_s
        if self.to_the_end:
            self._go(len(self.film.frames) - 1)
            self.to_the_end = not self.film.complete
        elif self.playing and before_s is not None:
            if self.speed == AT_ONCE:
                self._go(len(self.film.frames) - 1)
            else:
                # What is not folded yet cannot be shown yet: wait for it there.
                t_us = self.t_us + round((now_s - before_s) * 1e6 * self.speed)
                self.t_us = min(t_us, self.length_us)
                self.at = max(self.at, bisect_right(self.film.times, self.t_us) - 1)
        if self.at_end:
            self.playing = False

    def play(self) -> None:
        """Run; from the start, if it was at the end."""
        if self.at_end:
            self._go(0)
        self.playing, self._wound_s = True, None

    def pause(self) -> None:
        """Stand still."""
        self.playing = self.to_the_end = False

    def faster(self, notches: int) -> None:
        """The next higher speed, or lower if negative."""
        place = bisect_left(SPEEDS, self.speed)
        if notches < 0 or SPEEDS[min(place, len(SPEEDS) - 1)] == self.speed:
            place += notches
        self.speed = SPEEDS[min(max(0, place), len(SPEEDS) - 1)]

    # --- going ---

    def step(self, by: int) -> None:
        """To the next observation, or the one before; past the last to the end."""
        self._jump(self.film.marks, by)

    def turn(self, by: int) -> None:
        """To the next change of step, or the one before."""
        self._jump(self.film.turns, by)

    def to_start(self) -> None:
        self.pause()
        self._go(0)

    def to_end(self) -> None:
        """To the end: at once if it is known, or else as soon as it is."""
        self.pause()
        self.to_the_end = True
        self.tick(self._wound_s or 0.0)

    def seek(self, share: float) -> None:
        """To this share of the time that is known so far; it goes on playing if it was."""
        self.to_the_end = False
        t_us = round(min(max(0.0, share), 1.0) * self.length_us)
        self._go(max(0, bisect_right(self.film.times, t_us) - 1))
        self.t_us = t_us

    def _jump(self, places: list[int], by: int) -> None:
        self.pause()
        if by < 0:
            place = bisect_left(places, self.at) - 1
            self._go(places[place] if place >= 0 else 0)
        else:
            place = bisect_right(places, self.at)
            self._go(places[place] if place < len(places) else len(self.film.frames) - 1)

    def _go(self, number: int) -> None:
        self.at, self.t_us = number, self.film.times[number]
