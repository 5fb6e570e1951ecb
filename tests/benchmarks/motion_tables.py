"""Tables of the motion and new-bone grid: records in, rows of the documentation out."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd

from ongrowth_phantoms.grid.table import markdown

Record = dict[str, Any]

# What has become of the old bone between the two CTs of a pair
KINDS = {
    "as it was": lambda pair: pair == "first-repeat",
    "renewed by up to half": lambda pair: pair in ("first-still", "first-screw", "first-fragment"),
    "renewed by more": lambda pair: not pair.startswith("first-"),
}


def tables_of(records: list[Record], both: list[Record]) -> dict[str, str]:
    """Return the tables by name; one without rows is left out, so that a page keeps what it has."""
    measured = [r for r in records if "motions" in r]
    rows = {
        "errors": error_rows(measured),
        "coverage": coverage_rows([r for r in measured if not is_broken(r)]),
        "broken": broken_rows([r for r in measured if is_broken(r)]),
        "states": state_rows(measured),
        "beside": beside_rows(both),
        "bone": bone_rows(measured),
    }
    tables = {name: markdown(pd.DataFrame(some)) for name, some in rows.items() if some}
    return {"counts": counts(records, measured, both)} | tables


def counts(records: list[Record], measured: list[Record], both: list[Record]) -> str:
    seconds = np.array([r["seconds"] for r in measured])
    peak = np.array([r["peak_mb"] for r in both if "peak_mb" in r])
    memory = (
        f", {np.median(peak):.0f} MB of memory beside the scans (most {peak.max():.0f} MB)"
        if peak.size
        else ""
    )
    patients = len({r["number"] for r in records})
    return (
        f"{len(measured)} pairs of {patients} patients; {len(records) - len(measured)} refused; "
        f"{np.median(seconds):.1f} s a pair on one core (longest {seconds.max():.1f} s){memory}."
    )


def motions_of(measured: list[Record], body: str) -> list[Record]:
    return [m for r in measured for m in r["motions"] if m["name"].startswith(body) and "error_mm" in m]


def is_as_it_was(record: Record) -> bool:
    """Whether the old bone is the same in both CTs."""
    return KINDS["as it was"](record["pair"])


def is_broken(record: Record) -> bool:
    return bool(record["pair"] == "first-broken")


def error_rows(measured: list[Record]) -> list[Record]:
    """Errors of every quantity of the reach: median, and 95 % within, by what has become of the bone."""
    kinds = [[r for r in measured if of(r["pair"])] for of in KINDS.values()]

    def row(name: str, of: Callable[[list[Record]], list[float]], reach: str) -> Record:
        line: Record = {"quantity": name}
        for kind, records in zip(KINDS, kinds, strict=True):
            errors = of(records)
            line[f"bone {kind}: n"] = len(errors)
            line[f"{kind}: median; 95 % within"] = f"{told(errors, 50)}; {told(errors, 95)}"
        return line | {"aim": reach}

    def bodies(key: str) -> Callable[[list[Record]], list[float]]:
        return lambda half: [b[key] for r in half for b in r["bodies"] if key in b]

    def motions(
        body: str, of: Callable[[Record], float], *, rolled: bool = False
    ) -> Callable[[list[Record]], list[float]]:
        return lambda half: [of(m) for m in motions_of(half, body) if m["is_roll_known"] or not rolled]

    return [
        row("fragment at its own end of the screw, mm", bodies("own_mm"), "0.03; renewed 0.10"),
        row("fragment extrapolated to the far end, mm", bodies("far_mm"), "0.06"),
        row("fragment, rotation, deg", bodies("turned_deg"), "0.1"),
        row(
            "fragments against each other at the defect, mm",
            motions("tip", lambda m: norm(m["error_mm"])),
            "",
        ),
        row("fragments against each other, deg", motions("tip", lambda m: norm(m["error_deg"])), ""),
        row("screw in fragment, lateral, mm", motions("screw", lambda m: norm(m["error_mm"][:2])), "0.05"),
        row("screw in fragment, axial, mm", motions("screw", lambda m: abs(m["error_mm"][2])), "0.06"),
        row("screw in fragment, axis, deg", motions("screw", lambda m: norm(m["error_deg"][:2])), ""),
        row(
            "screw in fragment, roll, deg",
            motions("screw", lambda m: abs(m["error_deg"][2]), rolled=True),
            "10",
        ),
    ]


def norm(values: list[float]) -> float:
    return float(np.linalg.norm(values))


def told(errors: list[float], percent: float) -> str:
    return f"{np.percentile(errors, percent):.3f}" if errors else ""


def beside_rows(both: list[Record]) -> list[Record]:
    """Errors of this program and of SimpleITK on the same bone."""
    rows = []
    for same in (True, False):
        bodies = [b for r in both if is_as_it_was(r) == same for b in r.get("bodies", ())]
        if not bodies:
            continue
        for key, name in (
            ("own_mm", "own end of the screw, mm"),
            ("far_mm", "far end, mm"),
            ("turned_deg", "rotation, deg"),
        ):
            line: Record = {
                "bone": "as it was" if same else "renewed",
                "error of a fragment": name,
                "n": len(bodies),
            }
            for who, label in (("ours", "this program"), ("theirs", "SimpleITK")):
                errors = [b[who][key] for b in bodies]
                line |= {
                    f"{label}, median": told(errors, 50),
                    f"{label}, 95 % within": told(errors, 95),
                }
            rows.append(line)
    return rows


def coverage_rows(measured: list[Record]) -> list[Record]:
    """How often the 95 % interval holds the truth, and the error in units of u."""
    halves = [[r for r in measured if is_as_it_was(r) is same] for same in (False, True)]
    rows = []
    for body in ("screw", "tip side"):
        parts: dict[str, Callable[[Record], list[float]]] = {
            "across the screw": lambda m: [
                e / u for e, u in zip(m["error_mm"][:2], m["u_mm"][:2], strict=True)
            ],
            "along the screw": lambda m: [m["error_mm"][2] / m["u_mm"][2]],
            "tilt": lambda m: [e / u for e, u in zip(m["error_deg"][:2], m["u_deg"][:2], strict=True)],
            "roll": lambda m: [m["error_deg"][2] / m["u_deg"][2]] if m["is_roll_known"] else [],
        }
        motions = [motions_of(half, body) for half in halves]
        for name, of in parts.items():
            z = [np.array([z for m in half for z in of(m)]) for half in motions]
            line = {"motion": body, "part": name} | held_of([np.abs(half) < 1.96 for half in z])
            every = np.concatenate(z)
            rows.append(
                line | {"RMS of error / u": f"{np.sqrt(np.mean(every**2)):.2f}" if every.size else ""}
            )
        for name in motions[0][0]["lengths"] if motions[0] else ():
            bounds = [np.array([m["lengths"][name] for m in half]).reshape(-1, 4) for half in motions]
            held = [(b[:, 1] <= b[:, 3] + 1e-9) & (b[:, 3] <= b[:, 2]) for b in bounds]
            rows.append({"motion": body, "part": name} | held_of(held) | {"RMS of error / u": ""})
    return rows


def held_of(held: list[np.ndarray]) -> Record:
    """Return how many intervals held, renewed bone first, then bone as it was, then all."""
    every = np.concatenate(held)
    share = ["" if half.size == 0 else f"{100 * half.mean():.1f} %" for half in (*held, every)]
    return {
        "n": len(every),
        "held": share[2],
        "held, bone renewed": share[0],
        "held, bone as it was": share[1],
    }


def broken_rows(measured: list[Record]) -> list[Record]:
    """Errors of the pieces of broken screws, each in its fragment."""
    rows: list[Record] = []
    if not measured:
        return rows
    for name, label in (("screw in head side", "head piece"), ("screw in tip side", "tip piece")):
        found = [m for r in measured for m in r["motions"] if m["name"] == name]
        known = [m for m in found if "error_mm" in m]
        z = np.array([e / u for m in known for e, u in zip(m["error_mm"], m["u_mm"], strict=True)])
        rows.append(
            {
                "piece": f"{label} in its fragment",
                "n": len(found),
                "lateral, mm: median, most": f"{told([norm(m['error_mm'][:2]) for m in known], 50)}, "
                f"{told([norm(m['error_mm'][:2]) for m in known], 100)}",
                "axial, mm": f"{told([abs(m['error_mm'][2]) for m in known], 50)}, "
                f"{told([abs(m['error_mm'][2]) for m in known], 100)}",
                "axis, deg": f"{told([norm(m['error_deg'][:2]) for m in known], 50)}, "
                f"{told([norm(m['error_deg'][:2]) for m in known], 100)}",
                "parts held by 95 % interval": f"{(np.abs(z) < 1.96).sum()} of {z.size}",
                "told to have moved (truth: none)": sum(m["state"] == "moved" for m in found),
            }
        )
    return rows


def state_rows(measured: list[Record]) -> list[Record]:
    """The state by how far the body truly moved (most moved point, or its roll)."""
    every = [m for r in measured for m in r["motions"]]
    known = [m for m in every if "error_mm" in m]
    turned = [abs(m["true_roll_deg"]) >= 30.0 for m in known]
    names = ["not at all", "less than 0.2 mm", "0.2 to 0.4 mm", "0.4 to 1 mm", "more than 1 mm"]
    lows = np.array([0.0, 1e-6, 0.2, 0.4, 1.0])
    of = [int(np.searchsorted(lows, m["true_most_mm"] + 1e-9, side="right")) - 1 for m in known]
    groups = [
        (name, [m for m, k, t in zip(known, of, turned, strict=True) if k == n and not t])
        for n, name in enumerate(names)
    ]
    for seen, words in ((True, "thread seen in both"), (False, "thread too faint")):
        group = [m for m, t in zip(known, turned, strict=True) if t and m["is_roll_known"] is seen]
        groups.append((f"turned by 30 degrees or more, {words}", group))
    rows = [
        {
            "truly moved": name,
            "n": len(group),
            "told to have moved": str(sum(m["state"] == "moved" for m in group)),
        }
        for name, group in groups
    ]
    return [*rows, {"truly moved": "not measurable", "n": len(every) - len(known), "told to have moved": ""}]


def bone_rows(measured: list[Record]) -> list[Record]:
    """New bone: error, and how often it is within 10 % + 30 mm3."""
    rows = []
    for same in (True, False):
        bones = [r["bone"] for r in measured if "bone" in r and is_as_it_was(r) == same]
        for name, label in (("in", "in the defect"), ("around", "round it"), ("elsewhere", "elsewhere")):
            found = [b[name] for b in bones if b[name][0] is not None]
            v = np.array(found, dtype=float).reshape(-1, 4)
            if len(v) == 0:
                continue
            net = v[:, 2] - v[:, 3] if name != "elsewhere" else v[:, 2]
            error = v[:, 0] - net
            held = f"{100 * np.mean(np.abs(error) < 1.96 * v[:, 1]):.0f} %"
            within = f"{100 * np.mean(np.abs(error) <= 30 + 0.1 * np.abs(net)):.0f} %"
            is_film = name == "elsewhere" and not same
            rows.append(
                {
                    "old bone": "as it was" if same else "with a film",
                    "where": label,
                    "n": len(v),
                    "true, median and largest, mm3": f"{np.median(net):.0f}, {net.max():.0f}",
                    "median error, mm3": f"{np.median(error):+.0f}",
                    "95 % within, mm3": f"{np.percentile(np.abs(error), 95):.0f}",
                    "within 10 % + 30 mm3": "film not counted" if is_film else within,
                    "held by 95 % interval": held if name != "elsewhere" else "",
                }
            )
    return rows
