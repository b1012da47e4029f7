"""A valve clearance calculator for the command line that knows Coldgap only by its API.

    python -m tests.calculator readings.csv --url http://127.0.0.1:8000 --key KEY --family d29 \\
        [--site north] [--hold REFERENCE] [--fit]

The CSV has a line per valve: valve, least, most, aim, passes, stops, shim, known_by; every length with its
unit ("6 thou", "0.15 mm"), aim, stops and shim may be empty. Prints the plan; --hold holds what it takes from
stock under your reference, and --fit reports that it was fitted. Ends with 1 where Coldgap refuses, 2 where
nobody answers.
"""

import argparse
import csv
import sys
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import httpx

from tests.calculator.retry import Caller, NoAnswer, Refused


def length(text: str) -> dict[str, str]:
    """ "6 thou" -> {"value": "6", "unit": "thou"}; what no length is is left for Coldgap to say."""
    value, _, unit = text.strip().partition(" ")
    return {"value": value, "unit": unit.strip()}


def valves(lines: Iterable[dict[str, str]]) -> list[dict[str, Any]]:
    found = []
    for line in lines:
        valve: dict[str, Any] = {
            "label": line["valve"].strip(),
            "spec": {"min": length(line["least"]), "max": length(line["most"])},
            "clearance": {"passes": length(line["passes"])},
            "shim": None,
        }
        if (line.get("aim") or "").strip():
            valve["aim"] = length(line["aim"])
        if (line.get("stops") or "").strip():
            valve["clearance"]["stops"] = length(line["stops"])
        if (line.get("shim") or "").strip():
            known_by = (line.get("known_by") or "").strip() or "measured"
            valve["shim"] = {"thickness": length(line["shim"]), "known_by": known_by}
        found.append(valve)
    return found


def show(plan: dict[str, Any]) -> None:
    for valve in plan["valves"]:
        shim, source = valve["shim"], ""
        if shim and shim.get("from"):
            source = " ".join(str(value) for value in shim["from"].values() if value is not True)
        size = f"{shim['thickness']['value']} {shim['thickness']['unit']}" if shim else ""
        done = f"{valve['label']:10} {valve['verdict']:9} {valve['action']:11}"
        print(f"{done} {size:10} {source:8} {valve['why']}")
    for item in plan["to_buy"]:
        print(f"to buy: {item['quantity']} x {item['thickness']['value']} {item['thickness']['unit']}")


def stock_lines(plan: dict[str, Any], family: str) -> list[dict[str, Any]]:
    """What the plan takes from bins, as a hold takes it."""
    return [
        {
            "bin": valve["shim"]["from"]["bin"],
            "family": family,
            "thickness": valve["shim"]["thickness"],
            "condition": valve["shim"]["condition"],
            "label": valve["label"],
        }
        for valve in plan["valves"]
        if valve["action"] == "stock"
    ]


def run(caller: Caller, options: argparse.Namespace) -> None:
    with Path(options.readings).open(encoding="utf-8-sig", newline="") as file:
        asked: dict[str, Any] = {"family": options.family, "valves": valves(csv.DictReader(file))}
    site = {"site": options.site} if options.site else {}
    plan = caller.compute("/api/v1/plans", asked | site)
    show(plan)
    lines = stock_lines(plan, options.family)
    if not options.hold or not lines:
        return
    hold = caller.write("/api/v1/holds", {"reference": options.hold, "lines": lines} | site)
    print(f"held: {hold['id']} until {hold['expires_at']}")
    if options.fit:
        address = f"/api/v1/holds/{hold['id']}"
        _, seen = caller.get(address)
        fitted = caller.write(f"{address}/fit", {}, seen=seen)
        print(f"reported: {fitted['state']}")


def main(words: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="calculator", description=__doc__.partition("\n")[0])
    parser.add_argument("readings", help="the CSV file")
    parser.add_argument("--url", required=True)
    parser.add_argument("--key", required=True)
    parser.add_argument("--family", required=True, help="code of the shim family")
    parser.add_argument("--site", help="code of the site; may be left out where the key sees only one")
    parser.add_argument("--hold", metavar="REFERENCE", help="hold the plan's stock under this name")
    parser.add_argument("--fit", action="store_true", help="report what is held as fitted")
    options = parser.parse_args(words)
    headers = {"Authorization": f"Bearer {options.key}"}
    try:
        with httpx.Client(base_url=options.url, headers=headers, timeout=30) as http:
            run(Caller(http), options)
    except Refused as refused:
        print(refused, file=sys.stderr)
        return 1
    except NoAnswer as silence:
        print(silence, file=sys.stderr)
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(main())
