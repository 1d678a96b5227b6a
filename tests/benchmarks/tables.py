"""Figures as tables in plain text, the project's own targets beside them.

Not here: where the figures come from (`parts`).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

from tests.benchmarks.speed import UPDATE_S

Figures = dict[str, Any]

FIRST = {"1": 0.99, "2": 0.93, "3": 0.85}  # true group first, per number of faults
EXTRA = {"one by one": 0.75, "meter": 0.1}  # mean joints touched beyond the true ones
WHOLE_S, LARGE_S = 0.25, 1.0
MB = 1e6


def verdict(met: bool) -> str:
    return "met" if met else "MISSED"


def percent(value: float | None) -> str:
    return "    -" if value is None else f"{100 * value:5.1f}"


def rank(figures: Figures) -> Iterator[str]:
    yield "1. Where the true group stands (%), readings labelled right / through hands and sweep"
    yield "faults cases   first  top 3  top 5   first  top 3  top 5  target for first"
    for count, f in figures.items():
        tops = [percent(f[f"{how}top {n}"]) for how in ("", "hands, ") for n in (1, 3, 5)]
        row = f"{count:>6} {f['cases']:5}   " + "  ".join(tops[:3]) + "   " + "  ".join(tops[3:])
        target = FIRST.get(count)
        if target is not None:
            both = (verdict(f["top 1"] >= target), verdict(f["hands, top 1"] >= target))
            row += f"   >= {target:.0%}: {both[0]} / {both[1]}"
        yield row
    yield "faults  sets with hidden faults  whole set first  relabelled by the sweep  first if not"
    for count, f in figures.items():
        yield (
            f"{count:>6} {percent(f['some hidden']):>18}  {percent(f['whole set first']):>20}"
            f"  {percent(f['relabelled']):>20}  {percent(f['first of those labelled right']):>17}"
        )
    yield ""
    yield "2. The ceiling: all explanations, on the same cases where they are provably complete (%)"
    yield "faults asked complete  ceiling first  engine first  ceiling top 5  engine top 5"
    for count, f in figures.items():
        e = f["exact"]
        if not e["asked"]:
            continue
        below = "" if e["ceiling"] is None else "   not below: " + verdict(not e["below"])
        yield (
            f"{count:>6} {e['asked']:5} {e['complete']:8}  {percent(e['ceiling']):>13}"
            f"  {percent(e['engine']):>12}  {percent(e['ceiling, top 5']):>13}"
            f"  {percent(e['engine, top 5']):>12}{below}"
        )
    for count, f in figures.items():
        s = f["solver"]
        if s["cases"]:
            yield (
                f"7. {count} faults: the MaxSAT solver takes {s['solver_s']:.2f} s, the engine"
                f" {s['engine_s']:.3f} s: 1/{s['solver_s'] / max(1e-9, s['engine_s']):.0f}"
                f" ({s['cases']} cases)"
            )
    for count, f in figures.items():
        for case in f["not first"][:4]:
            places = f"engine {case['engine']}, exact {case['exact']}"
            yield f"   {count} faults, {places}: {_case(case)}"
        for case in f["not first by hand"][:4]:
            yield f"   {count} faults, by hand {case['hands']}: " + _case(case)


def _case(case: Figures) -> str:
    return f"{case['name']}: {'; '.join(case['faults'])}"


def repair(figures: Figures) -> Iterator[str]:
    figures = dict(figures)
    yield "3. Repair and retest until the half passes"
    yield (
        "   joints beyond the true ones that one fault costs in the best order, without a meter:"
        f" {figures.pop('least'):.2f}"
    )
    yield (
        "way        faults cases  repaired %  passed %  joints beyond, per fault  per half"
        "  rounds  most  presses  measured"
    )
    for way, by_count in figures.items():
        for count, f in by_count.items():
            yield (
                f"{way:10} {count:>6} {f['cases']:5}  {percent(f['repaired']):>10}"
                f"  {percent(f['passed']):>8}  {f['extra per fault']:24.2f}"
                f"  {f['extra per half']:8.2f}  {f['rounds']:6.2f}  {f['most rounds']:4}"
                f"  {f['presses']:7.0f}  {f['measured']:8.1f}"
            )
    for way, by_count in figures.items():
        whole = all(f["repaired"] == 1.0 for f in by_count.values())
        words = [f"{way}: all repaired: {verdict(whole)}"]
        if way in EXTRA:
            for unit in ("fault", "half"):
                met = [
                    f"{count}: {verdict(f[f'extra per {unit}'] <= EXTRA[way])}"
                    for count, f in by_count.items()
                ]
                words.append(f"<= {EXTRA[way]} joints per {unit}: {', '.join(met)}")
        yield "   " + "; ".join(words)
    for way, by_count in figures.items():
        for f in by_count.values():
            for case in f["given up"][:3]:
                yield f"   given up ({way}): {_case(case)} LEFT {'; '.join(case['left'])}"
                yield f"      {case['why']}"
            for case in f["passed with faults left"][:3]:
                yield f"   passed with faults ({way}): {_case(case)} LEFT {'; '.join(case['left'])}"


def alarms(figures: Figures) -> Iterator[str]:
    yield "4. False alarms on clean halves"
    for how, f in figures.items():
        yield (
            f"   {how}: {f['sweeps']} sweeps, {f['alarms']} false alarms (at 95 %: less than"
            f" {100 * f['at most']:.2f} %), {f['hints']} with an unlikely finding,"
            f" {f['not passed']} not passed at once, {f['asked']:.2f} presses beyond one per key"
        )
        for case in f["which"][:6]:
            yield f"      {case['name']}: {'; '.join(case['alarm'])}"
    bounce = figures["bounce"]
    enough = "" if bounce["sweeps"] >= 10_000 else " so far (too few to say)"
    yield f"   target, bounce: none in 10,000: {verdict(not bounce['alarms'])}{enough}"


def claims(figures: Figures) -> Iterator[str]:
    yield "5. Claims and facts, on first builds by the priors (target: within 3 points per bin)"
    for how, f in figures.items():
        for what in ("findings", "members"):
            yield f"   {what}, {how} ({f['halves']} halves)"
            yield "     claimed %    claims  mean claim  actual  standard error"
            for b in f[what]:
                yield (
                    f"     {100 * b['low']:3.0f} - {100 * b['low'] + 10:3.0f} {b['count']:11}"
                    f"  {percent(b['claimed']):>10}  {percent(b['actual']):>6}"
                    f"  {percent(b['error']):>14}  {b['says']}"
                )
        yield (
            f"   members, {how}: Brier score {f['brier']:.4f}, log loss {f['log loss']:.4f};"
            f" {f['unknown']} times unknown; faults that show and were not named:"
            f" {sum(len(m['missed']) for m in f['missed'])}"
        )
        for case in f["missed"][:4]:
            yield f"   not named: {'; '.join(case['missed'])} in {_case(case)}"


def times(figures: Figures) -> Iterator[str]:
    yield "6. Process time (ms) and memory"
    rows = (
        (f"update, {figures['keys']} keys", "update", UPDATE_S),
        ("its last press", "last press", UPDATE_S),
        (f"whole, {figures['keys']} keys", "whole", WHOLE_S),
        ("whole, 128 keys", "whole, 128 keys", LARGE_S),
    )
    yield "                    faults  times   median      p95      max  target"
    for words, name, target in rows:
        for count, t in figures[name].items():
            met = f"{verdict(t['p95'] <= target)} at p95, {verdict(t['most'] <= target)} at max"
            yield (
                f"{words:>19} {count:>6} {t['count']:6} {1e3 * t['median']:8.1f}"
                f" {1e3 * t['p95']:8.1f} {1e3 * t['most']:8.1f}  <= {1e3 * target:.0f}: {met}"
            )
    for count, t in figures["update"].items():
        yield f"   {count:>2} faults: {t['in time']:.1%} of updates within {1e3 * UPDATE_S:.0f} ms"
    for count, t in figures["apart"].items():
        yield (
            f"   {count:>2} faults: in {t['worse']} of {t['count']} updates the full diagnosis has"
            f" a better explanation; a fault's probabilities differ by {t['p95']:.3f} (95 %),"
            f" {t['most']:.3f} (most)"
        )
    yield f"   a million look-ups on this machine: {1e3 * figures['reference']:.0f} ms"
    for words, name, target in rows:
        for t in figures[name].values():
            if t["most"] > target:
                yield f"   {words}: {t['most']:.2f} s: {t['worst']}"
    for name, value in figures.items():
        if name.startswith("memory"):
            yield f"   {name}: {value / MB:.0f} MB allocated at most in one diagnosis"
        if name.startswith("prepare"):
            yield f"   {name}: {value:.2f} s until the engine is ready for the first press"
    yield f"   the process, benchmark and solver included: {figures['process'] / MB:.0f} MB at most"


TABLES: dict[str, Callable[[Figures], Iterator[str]]] = {
    "rank": rank, "repair": repair, "alarms": alarms, "claims": claims, "times": times,
}  # fmt: skip
