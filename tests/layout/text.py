"""House rules that a machine can see: use text.py SOURCE.

No state at file scope that changes outside main.c, no unbounded string calls, the fixed top level, links that lead
somewhere.
"""
import os
import re
import subprocess
import sys

source = sys.argv[1]
TOP = {"README.md", "DEVELOPERS.md", "LICENSE", "CMakeLists.txt", "daemon", "drivers", "config", "tests", "deploy", "docs"}

try:
    listed = subprocess.run(["git", "-C", source, "ls-files"], capture_output=True, check=True, text=True).stdout
    files = [f for f in listed.splitlines() if os.path.exists(os.path.join(source, f))]
except (OSError, subprocess.CalledProcessError):
    files = []
    for folder, _, names in os.walk(source):
        if not re.search(r"/(\.git|build[^/]*)(/|$)", folder):
            files += [os.path.relpath(os.path.join(folder, n), source) for n in names]

problems = []
for f in files:
    top = f.split("/")[0]
    if not top.startswith(".") and top not in TOP and not top.startswith("build"):
        problems.append("%s: not part of the fixed top level" % f)
    if not f.endswith((".c", ".h")):
        continue
    with open(os.path.join(source, f), encoding="utf-8") as handle:
        text = handle.read()
    product = f.startswith(("daemon/", "drivers/", "config/"))
    for n, line in enumerate(text.splitlines(), 1):
        if product and not f.endswith("main.c") and re.match(
                r"static (?!.*\bconst\b)(?!inline)[a-z_ ]*[a-z0-9_]+ \**[a-z0-9_]+(\[[^]]*\])*( =.*)?;", line):
            problems.append("%s:%d: state at file scope: %s" % (f, n, line))
        if product and re.search(r"\b(strcpy|strcat|sprintf|gets|strtok|vsprintf)\(", line):
            problems.append("%s:%d: unbounded call: %s" % (f, n, line.strip()))

# Pages point at pages and files that are there.
for f in files:
    if not f.endswith(".md"):
        continue
    with open(os.path.join(source, f), encoding="utf-8") as handle:
        text = re.sub(r"```.*?```", "", handle.read(), flags=re.S)
    for target in re.findall(r"\]\(([^)#]+)(?:#[^)]*)?\)", text):
        if "://" in target:
            continue
        if not os.path.exists(os.path.normpath(os.path.join(source, os.path.dirname(f), target))):
            problems.append("%s: points at %s, which is not there" % (f, target))

for p in problems:
    print(p)
print("%d files, %d problems" % (len(files), len(problems)))
sys.exit(1 if problems else 0)
