#!/usr/bin/env python3
"""Prints what Python's zoneinfo says, for every date of some years in some zones, of the instants of wall times and of nights.

    python3 answers.py "$(go env GOROOT)" > answers.txt
    python3 answers.py "$(go env GOROOT)" | diff - answers.txt    # silent where the file holds what would be written

The zone files are those that Go brings, and each is printed along with the answers that rest on it. So whoever compares reads
the very same rules, whatever zone database their machine has. README.md says how the answers are written down.

A wall time is read by Python's folds (PEP 495): both readings go to UTC and back, and the first one that comes back as
it was is the answer. Where none does, a change skips the time, and the minutes between the two readings are gone through
one by one. The night that runs follows from the latest wall time that has been shown so far.
"""

import base64
import bisect
import io
import pathlib
import platform
import re
import sys
import zipfile
import zoneinfo
from datetime import date, datetime, time, timedelta, timezone

FIRST_YEAR, LAST_YEAR = 2016, 2032
# Zones that crossed the date line, and some others whose changes are further back, begin earlier.
EARLIER = {"Pacific/Apia": 2010, "Pacific/Fakaofo": 2010, "Pacific/Kiritimati": 1994, "Pacific/Kwajalein": 1993, "Asia/Pyongyang": 2015}

TIMES = ["02:30", "00:15", "00:00", "03:00", "19:30", "23:45", "04:00", "21:00", "08:00"]
TURNS = ["04:00", "00:00", "00:30", "02:00", "02:30", "03:00"]

ZONES = [
    "Africa/Cairo", "Africa/Casablanca", "Africa/El_Aaiun", "America/Asuncion", "America/Halifax", "America/Havana",
    "America/New_York", "America/Nuuk", "America/Santiago", "America/Sao_Paulo", "America/Scoresbysund", "America/St_Johns",
    "Antarctica/Casey", "Antarctica/Troll", "Asia/Amman", "Asia/Beirut", "Asia/Gaza", "Asia/Kathmandu", "Asia/Kolkata",
    "Asia/Pyongyang", "Asia/Tehran", "Atlantic/Azores", "Australia/Adelaide", "Australia/Lord_Howe", "Etc/UTC", "Europe/Dublin",
    "Europe/Lisbon", "Europe/London", "Europe/Paris", "Pacific/Apia", "Pacific/Auckland", "Pacific/Chatham", "Pacific/Fakaofo",
    "Pacific/Kiritimati", "Pacific/Kwajalein",
]

DAY, MINUTE = timedelta(days=1), timedelta(minutes=1)
UTC = timezone.utc


def wall(instant, zone):
    """What a clock in the zone shows at an instant, without its offset."""
    return instant.astimezone(zone).replace(tzinfo=None, fold=0)


def first_shown(reading, zone):
    """The first instant at which a clock in the zone shows a reading or, where none ever does, a later one."""
    both = [reading.replace(tzinfo=zone, fold=fold).astimezone(UTC) for fold in (0, 1)]
    shown = [instant for instant in both if wall(instant, zone) == reading]
    if shown:
        return min(shown)
    instant, end = min(both), max(both)
    while wall(instant, zone) < reading:
        instant += MINUTE
        if instant > end:
            raise ValueError(f"{reading} in {zone} is neither shown nor skipped")
    return instant


def changes(zone, first, last):
    """The instants, to the minute, at which the zone's clock jumps, between two dates."""
    found = []
    step = timedelta(hours=1)
    at, end = datetime.combine(first, time(), UTC) - 3 * DAY, datetime.combine(last, time(), UTC) + 3 * DAY
    while at < end:
        if at.astimezone(zone).utcoffset() != (at + step).astimezone(zone).utcoffset():
            minute = at
            while minute.astimezone(zone).utcoffset() == at.astimezone(zone).utcoffset():
                minute += MINUTE
            found.append(minute)
        at += step
    return found


class Place:
    """A zone, as Go's file describes it."""

    def __init__(self, name, data):
        self.name, self.data = name, data
        self.zone = zoneinfo.ZoneInfo.from_file(io.BytesIO(data), key=name)
        self.first, self.last = date(EARLIER.get(name, FIRST_YEAR), 1, 1), date(LAST_YEAR, 12, 31)
        self.changes = changes(self.zone, self.first, self.last)

    def tonight(self, instant, turns):
        """The night that runs at an instant: once a clock has shown its turning hour it has begun, and stays begun."""
        latest = wall(instant, self.zone)
        reach = slice(bisect.bisect_right(self.changes, instant - 3 * DAY), bisect.bisect_right(self.changes, instant))
        for change in self.changes[reach]:
            latest = max(latest, wall(change - MINUTE, self.zone))
        return (latest - turns).date()

    def shown(self, day, at):
        """When a time of day is first shown on a date, in minutes from the date's midnight in UTC."""
        instant = first_shown(datetime.combine(day, time()) + at, self.zone)
        return minutes(instant, day)

    def closes(self, day, turns):
        """When a night closes; and where it is not this night that ran until then and the next from then on: which ones."""
        instant = first_shown(datetime.combine(day + DAY, time()) + turns, self.zone)
        before = (self.tonight(instant - MINUTE, turns) - day).days
        after = (self.tonight(instant, turns) - day).days
        text = minutes(instant, day)
        return text if (before, after) == (0, 1) else f"{text};{before};{after}"

    def answers(self, day):
        shown = [self.shown(day, of_day(text)) for text in TIMES]
        closes = [self.closes(day, of_day(text)) for text in TURNS]
        return " ".join(shown) + " / " + " ".join(closes)

    def write(self):
        print("zone", self.name)
        print("file", base64.b64encode(self.data).decode())
        begun, said, day = self.first, self.answers(self.first), self.first
        while day < self.last:
            day += DAY
            answers = self.answers(day)
            if answers != said:
                print(begun, day - DAY, said)
                begun, said = day, answers
        print(begun, self.last, said)


def of_day(text):
    hours, minutes_past = text.split(":")
    return timedelta(hours=int(hours), minutes=int(minutes_past))


def minutes(instant, day):
    """An instant, in whole minutes from a date's midnight in UTC."""
    count, rest = divmod(instant - datetime.combine(day, time(), UTC), MINUTE)
    if rest:
        raise ValueError(f"{instant} is no whole minute")
    return str(count)


def main():
    if len(sys.argv) != 2:
        sys.exit('usage: answers.py "$(go env GOROOT)" > answers.txt')
    root = pathlib.Path(sys.argv[1])
    go = (root / "VERSION").read_text().split()[0]
    version = re.search(r"^DATA=(\S+)$", (root / "lib/time/update.bash").read_text(), re.MULTILINE).group(1)
    print("# Written by answers.py (python3 answers.py \"$(go env GOROOT)\" > answers.txt); README.md says how to read it.")
    print(f"# IANA time zone database {version}, the zone files of {go}, read by zoneinfo of Python {platform.python_version()}.")
    print("times", *TIMES)
    print("turns", *TURNS)
    with zipfile.ZipFile(root / "lib/time/zoneinfo.zip") as files:
        for name in ZONES:
            Place(name, files.read(name)).write()


if __name__ == "__main__":
    main()
