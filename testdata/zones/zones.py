#!/usr/bin/env python3
"""Writes one JSON file per zone with reference values for nights, from Python's zoneinfo.

The answers come from a search that knows no rule but the definition: a night begins at the first minute at which a clock
in the zone shows its date and the turning hour, or later. So they share neither code nor method with the Go package.

    python3 zones.py            # writes *.json beside this file
    python3 zones.py --check    # exits with 1 unless the files hold what this machine would write
"""

import json
import pathlib
import sys
import zoneinfo
from datetime import date, datetime, timedelta, timezone

FIRST_YEAR, LAST_YEAR = 2006, 2024  # the past only: what lies ahead is changed by governments
TURNS = ["04:00", "02:30", "00:00"]
CLOCKS = ["00:30", "02:15", "03:00", "04:00", "19:30"]
MINUTE = timedelta(minutes=1)

ZONES = [
    "Africa/Cairo", "Africa/Casablanca", "America/Caracas", "America/Halifax", "America/Havana", "America/New_York",
    "America/Nuuk", "America/Santiago", "America/Sao_Paulo", "America/St_Johns", "Antarctica/Casey", "Antarctica/Troll",
    "Asia/Amman", "Asia/Kathmandu", "Asia/Kolkata", "Asia/Pyongyang", "Asia/Tehran", "Atlantic/Azores",
    "Australia/Adelaide", "Australia/Lord_Howe", "Europe/Berlin", "Europe/Istanbul", "Europe/London", "Pacific/Apia",
    "Pacific/Chatham", "Pacific/Fakaofo",
]
# Changes worth having whatever the thinning leaves out.
WANTED = {
    "Antarctica/Casey": [date(2018, 3, 10), date(2018, 10, 6)],  # 04:00 back to 01:00; 04:00 on to 07:00
    "Pacific/Apia": [date(2011, 12, 30)],  # no 30 December that year
    "Pacific/Fakaofo": [date(2011, 12, 30)],
    "America/Caracas": [date(2007, 12, 9), date(2016, 5, 1)],  # by half an hour
    "Asia/Pyongyang": [date(2015, 8, 14), date(2018, 5, 4)],  # by half an hour
}


def wall(instant, zone):
    """What a clock in the zone shows, without its offset."""
    return instant.astimezone(zone).replace(tzinfo=None)


def changes(zone):
    """The instants, to the minute, at which the zone's offset changes."""
    at = datetime(FIRST_YEAR, 1, 1, tzinfo=timezone.utc)
    end = datetime(LAST_YEAR + 1, 1, 1, tzinfo=timezone.utc)
    step = timedelta(hours=12)
    found = []
    while at < end:
        if at.astimezone(zone).utcoffset() != (at + step).astimezone(zone).utcoffset():
            low, high = at, at + step
            while high - low > MINUTE:
                middle = low + MINUTE * ((high - low) // MINUTE // 2)
                if middle.astimezone(zone).utcoffset() == at.astimezone(zone).utcoffset():
                    low = middle
                else:
                    high = middle
            found.append(high)
        at += step
    return found


class Clock:
    """A clock in a zone, watched for four days before and after an instant, minute by minute."""

    def __init__(self, zone, around):
        self.zone = zone
        start = around - timedelta(days=4)
        self.minutes = [start + MINUTE * i for i in range(8 * 24 * 60)]
        self.walls = [wall(m, zone) for m in self.minutes]

    def first(self, reading):
        """The first minute at which the clock shows a reading, or later."""
        for minute, shown in zip(self.minutes, self.walls):
            if shown >= reading:
                return minute
        raise ValueError("not watched for long enough")

    def tonight(self, instant, turns):
        """The last night that has begun by an instant."""
        night = wall(instant, self.zone).date() + timedelta(days=2)
        while self.first(datetime.combine(night, turns)) > instant:
            night -= timedelta(days=1)
        return night


def clock_time(text):
    return datetime.strptime(text, "%H:%M").time()


def utc(instant):
    return instant.astimezone(timezone.utc).strftime("%Y-%m-%dT%H:%M:%SZ")


def case(zone, change, salt):
    clock = Clock(zone, change)
    day = wall(change - MINUTE, zone).date()
    turns_text = TURNS[0] if salt % 3 else TURNS[salt // 3 % len(TURNS)]
    turns = clock_time(turns_text)
    begins = [
        {"night": str(day + timedelta(days=d)), "time": text, "at": utc(clock.first(datetime.combine(day + timedelta(days=d), clock_time(text))))}
        for d in (-1, 0, 1, 2) for text in CLOCKS
    ]
    tonight, practised = [], []
    for minutes in (-1500, -400, -240, -61, -31, -1, 0, 29, 59, 61, 179, 180, 241, 300, 700, 1441):
        at = change + MINUTE * minutes
        tonight.append({"at": utc(at), "night": str(clock.tonight(at, turns))})
        hours = timedelta(hours=turns.hour, minutes=turns.minute)
        practised.append({"at": at.astimezone(zone).isoformat(), "night": str((wall(at, zone) - hours).date())})
    return {"change": utc(change), "turns_at": turns_text, "first_shown": begins, "tonight": tonight, "practised": practised}


def thinned(name, found):
    """At most five changes, spread over the years, and those that are wanted; a quiet zone gets two ordinary days."""
    if not found:
        return [datetime(2011, 3, 27, 1, tzinfo=timezone.utc), datetime(2023, 10, 29, 1, tzinfo=timezone.utc)]
    zone = zoneinfo.ZoneInfo(name)
    step = max(1, (len(found) + 4) // 5)
    # An odd step takes both directions in turn.
    kept = found[::step if step % 2 else step + 1]
    wanted = WANTED.get(name, [])
    kept += [c for c in found if c not in kept and wall(c - MINUTE, zone).date() in wanted]
    if name in WANTED:
        for day in wanted:
            near = [c for c in found if abs(wall(c - MINUTE, zone).date() - day) <= timedelta(days=1)]
            if not near:
                raise ValueError(f"{name}: no change near {day}")
            kept += [c for c in near if c not in kept]
    return sorted(kept)


def version():
    for folder in zoneinfo.TZPATH:
        path = pathlib.Path(folder) / "tzdata.zi"
        if path.exists():
            return path.read_text().split("\n", 1)[0].removeprefix("# version ")
    raise SystemExit("tzdata.zi, which names the version of the database, was not found")


def content(name):
    zone = zoneinfo.ZoneInfo(name)
    kept = thinned(name, changes(zone))
    document = {
        "zone": name,
        "source": f"IANA time zone database {version()}, read by zoneinfo of Python {sys.version_info.major}.{sys.version_info.minor}; written by zones.py",
        "cases": [case(zone, change, i) for i, change in enumerate(kept)],
    }
    return json.dumps(document, separators=(",", ":")).replace('{"change"', '\n{"change"').replace('"first_shown"', '\n "first_shown"').replace(
        '"tonight"', '\n "tonight"').replace('"practised"', '\n "practised"') + "\n"


def main():
    folder = pathlib.Path(__file__).parent
    stale = []
    for name in ZONES:
        path = folder / (name.replace("/", "_").lower() + ".json")
        text = content(name)
        if "--check" not in sys.argv:
            path.write_text(text)
        elif not path.exists() or path.read_text() != text:
            stale.append(path.name)
    if stale:
        sys.exit("these files differ: " + ", ".join(stale))


if __name__ == "__main__":
    main()
