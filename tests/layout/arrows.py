"""The rooms and their arrows: use arrows.py SOURCE BUILD.

For every room, each header of a room that it may not look at is included with the room's own compiler flags: the
compiler has to refuse it. Also: a header compiles alone, names are unique, nobody reaches out by a relative path.
"""
import glob
import json
import os
import re
import shlex
import subprocess
import sys

source, build = sys.argv[1:3]

ROOMS = {
    "model": "daemon/model", "compute": "daemon/compute", "engine": "daemon/engine", "journal": "daemon/journal",
    "uplink": "daemon/uplink", "runtime": "daemon/runtime", "control": "daemon/control", "client": "daemon/client",
    "web": "daemon/web", "record": "daemon/record", "drivers": "drivers", "virtual": "drivers/virtual",
    "config": "config",
}
# What a room may look at; everything not named here must not compile.
ARROWS = {
    "model": [],
    "compute": ["model"],
    "engine": ["model", "compute"],
    "journal": ["model"],
    "drivers": ["model"],
    "virtual": ["model"],
    "config": ["model"],
    "uplink": ["model", "journal"],
    "record": ["model", "compute", "journal"],
    "control": ["model", "journal"],
    "runtime": ["model", "compute", "engine", "journal", "drivers", "config", "uplink", "control"],
    "client": ["model", "compute", "engine", "journal", "drivers", "config", "uplink", "control", "record"],
    "web": ["model", "compute", "journal", "control", "record", "config"],
}

problems = []


def headers(room):
    return sorted(glob.glob(os.path.join(source, ROOMS[room], "*.h")))


with open(os.path.join(build, "compile_commands.json"), encoding="utf-8") as f:
    commands = json.load(f)

flags = {}
for c in commands:
    folder = os.path.dirname(os.path.relpath(c["file"], source))
    for room, path in ROOMS.items():
        if folder == path and room not in flags:
            words = c.get("arguments") or shlex.split(c["command"])
            keep = [words[0]]
            for i, w in enumerate(words):
                if w.startswith(("-I", "-D", "-std")):
                    keep.append(w)
                elif w == "-isystem":
                    keep += [w, words[i + 1]]
            flags[room] = keep


def compiles(room, text):
    r = subprocess.run(flags[room] + ["-x", "c", "-fsyntax-only", "-"], input=text.encode(),
                       stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, cwd=build, check=False)
    return r.returncode == 0


tried = 0
for room in flags:
    for other in ROOMS:
        if other == room or other in ARROWS[room]:
            continue
        for h in headers(other)[:2]:
            tried += 1
            if compiles(room, '#include "%s"\n' % os.path.basename(h)):
                problems.append("%s can include %s of %s" % (room, os.path.basename(h), other))
    for h in headers(room):
        tried += 1
        if not compiles(room, '#include "%s"\n' % os.path.basename(h)):
            problems.append("%s does not compile alone" % os.path.relpath(h, source))

names = {}
for room in ROOMS:
    for path in glob.glob(os.path.join(source, ROOMS[room], "*.[ch]")):
        name = os.path.basename(path)
        if name in names:
            problems.append("%s and %s have one name" % (os.path.relpath(path, source), names[name]))
        names[name] = os.path.relpath(path, source)
        with open(path, encoding="utf-8") as f:
            if re.search(r'#include\s+"[^"]*\.\./', f.read()):
                problems.append("%s includes by a relative path" % os.path.relpath(path, source))

for p in problems:
    print(p)
print("%d inclusions tried, %d problems" % (tried, len(problems)))
sys.exit(1 if problems else 0)
