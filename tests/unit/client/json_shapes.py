"""The client's JSON is what docs/json.md says: use json_shapes.py PROGRAM JOURNAL PAGE.

Each table of the page is an object: its keys have to be there with their types, and no others.
"""
import json
import os
import re
import subprocess
import sys

program, journal, page = sys.argv[1:4]
EVENT_WORDS = {"state", "from", "procedure", "verdict", "basis", "cause", "or_cause", "interlock", "result", "survey", "device",
                      "signal"}
OPTIONAL = {"event": EVENT_WORDS, "record_event": EVENT_WORDS}
COMMANDS = {"run list": [], "run show": ["1"], "unit list": [], "unit show": ["HQ-0147"], "unit history": ["HQ-0147"],
            "use": ["--since", "1971-01-01"], "journal check": [],
            "replay FILE": [os.path.join(os.path.dirname(page), "..", "config", "examples", "records", "old-logger.csv"),
                            "--process", "tig", "--current", "160 A", "--percent-on", "25", "--procedure", "screen",
                            "--encoding", "latin-1", "--skip-lines", "3", "--decimal-comma", "--time", "Date+Time",
                            "--time-format", "%d.%m.%Y %H:%M:%S", "--column", "i2=I weld [A];uncertainty=1 %",
                            "--column", "u2=U weld [V];uncertainty=unknown", "--column", "t_intake=Air in [\u00b0C]"],
            "calc load": ["--process", "tig", "--current", "160 A"]}
PLAIN = {"text": str, "integer": int, "number": (int, float), "flag": bool}

shapes, name = {}, None
for line in open(page, encoding="utf-8"):
    heading = re.match(r"## (command|object): (.*)", line)
    if heading:
        name = heading.group(1), heading.group(2).strip()
        shapes[name] = {}
    row = re.match(r"\| `([\w-]+)` \| ([\w ]+) \|", line)
    if row and name:
        shapes[name][row.group(1)] = row.group(2)

problems = []
seen = set()


def hold(where, kind, value):
    if kind.endswith(" or null") and not isinstance(value, list):
        if value is None:
            return
        kind = kind[: -len(" or null")]
    if kind.startswith("list of "):
        if not isinstance(value, list):
            problems.append("%s is no list" % where)
            return
        for i, item in enumerate(value):
            hold("%s[%d]" % (where, i), kind[len("list of "):], item)
    elif kind in PLAIN:
        if not isinstance(value, PLAIN[kind]) or (kind != "flag" and isinstance(value, bool)):
            problems.append("%s is %r, not %s" % (where, value, kind))
    else:
        seen.add(kind)
        hold_object(where, shapes[("object", kind)], value, OPTIONAL.get(kind, set()))


def hold_object(where, shape, value, optional):
    if not isinstance(value, dict):
        problems.append("%s is no object" % where)
        return
    for key in sorted(set(shape) - set(value)):
        problems.append("%s: %s is missing" % (where, key))
    for key in sorted(set(value) - set(shape) - optional):
        problems.append("%s: %s is not on the page" % (where, key))
    for key in set(shape) & set(value):
        hold("%s.%s" % (where, key), shape[key], value[key])


for command, words in COMMANDS.items():
    offline = [] if command.startswith("calc") else ["--journal", journal]
    run = subprocess.run([program, *offline, *command.replace(" FILE", "").split(), *words, "--json"], capture_output=True, text=True)
    if run.returncode != 0:
        problems.append("%s: exit %d: %s" % (command, run.returncode, run.stderr))
        continue
    answer = json.loads(run.stdout)
    if answer.get("v") != 1:
        problems.append("%s: version %r" % (command, answer.get("v")))
    hold_object(command, shapes[("command", command)], answer, set())

for kind, title in shapes:
    if kind == "object" and title not in seen:
        problems.append("no command showed an object of the shape %s" % title)
    if kind == "command" and title not in COMMANDS:
        problems.append("the command %s is not tried" % title)
print("\n".join(problems) or "%d shapes hold" % len(shapes))
sys.exit(bool(problems))
