"""Records that other loggers might have made, judged by the real program: foreign_test.py SOAKBENCH.

Each record is made here with a truth that the judgement has to find within its sampling. On-load time and percent-on are
computed here as well, from the rows alone, by another way (rows above a level times the interval between rows).
"""
import hashlib
import json
import os
import random
import subprocess
import sys
import tempfile

program = sys.argv[1]
RATED_A, RATED_V, RATED_ON = 160.0, 16.4, 240.0  # 40 % of ten minutes; U2 = 10 + 0.04 I2 (IEC 60974-1, from memory)
COLUMNS = ["t [s]", "I2 [A]", "U2 [V]", "U1 [V]", "I1 [A]", "Air [degC]", "Case [degC]"]
MAP = {"i2": "I2 [A];uncertainty=0.5 %", "u2": "U2 [V];uncertainty=0.5 %", "u1": "U1 [V]", "i1": "I1 [A]",
       "t_intake": "Air [degC]", "t_case": "Case [degC]"}
problems = []


def check(holds, name, *seen):
    if not holds:
        problems.append("%s: %s" % (name, " ".join(str(s) for s in seen)))


def rows_of(dt, parts, length, lost_at=None, open_v=0.0, gap=None, closed=None):
    """Rows of a unit on-load in parts [(begin, end)]; its supply is lost at lost_at; nothing is written in gap."""
    noise = random.Random(7)
    case = 22.0
    rows = []
    for k in range(int(round(length / dt)) + 1):
        t = k * dt
        fed = lost_at is None or t < lost_at
        on = fed and any(a <= t < b for a, b in parts)
        i2 = RATED_A + 1 + noise.gauss(0, 0.1) if on else abs(noise.gauss(0, 0.05))
        u2 = RATED_V * i2 / RATED_A if on else (open_v if fed else 0.0)
        case += ((90.0 if on else 22.0) - case) * dt / 1500
        row = [t, i2, u2, (229.0 if on else 231.0) if fed else 0.4, (21.0 if on else 0.3) if fed else 0.0, 22.0, case]
        if closed:
            row.append(1 if any(a <= t < b for a, b in closed) else 0)
        if not (gap and gap[0] <= t < gap[1]):
            rows.append(row)
    return rows


def write(path, rows, heads):
    with open(path, "w", encoding="utf-8", newline="") as out:
        out.write(",".join(heads) + "\r\n")
        for row in rows:
            out.write(",".join("%.6g" % v if n else "%.3f" % v for n, v in enumerate(row)) + "\r\n")


def judge(folder, rows, *words, mapping=MAP, percent_on="40", procedure="screen", process="tig", heads=None):
    path = os.path.join(folder, "record.csv")
    write(path, rows, heads or COLUMNS)
    command = [program, "replay", path, "--process", process, "--current", "160 A", "--voltage", "16.4 V", "--percent-on",
               percent_on, "--supply", "230 V", "--procedure", procedure, "--time", "t [s]", "--json", *words]
    for signal, head in mapping.items():
        command += ["--column", "%s=%s" % (signal, head)]
    run = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    out, err = run.communicate()
    try:
        answer = json.loads(out)
    except ValueError:
        sys.exit("exit %d: %s%s" % (run.returncode, out, err))
    with open(path, "rb") as f:
        check(answer.get("sha256") == hashlib.sha256(f.read()).hexdigest(), "digest", answer.get("sha256"))
    return run.returncode, answer, answer["judgement"]


def on_load(rows, level):
    """Seconds above a level, by counting rows."""
    step = rows[1][0] - rows[0][0]
    return step * sum(1 for row in rows if row[1] > level)


def pace(folder):
    """Holds, cut-outs and lost supplies, each at 0.1 s, 1 s and 10 s."""
    for dt in (0.1, 1.0, 10.0):
        name = "every %g s" % dt
        rows = rows_of(dt, [(20, 290)], 400)
        status, answer, j = judge(folder, rows, "--start", "cold")
        check(status == 0 and j["verdict"] == "held" and j["basis"] == "cold-cycle", name, "hold", status, j["reason"])
        check(abs(j["conducting_s"] - on_load(rows, 8)) <= dt, name, "conducting", j["conducting_s"], on_load(rows, 8))
        check(abs(j["at_rated_s"] - on_load(rows, RATED_A - 0.8)) <= 1.2 * dt, name, "at rated", j["at_rated_s"])
        check(abs(j["percent_on_delivered"] - 100 * on_load(rows, 8) / 600) <= dt / 6, name, j["percent_on_delivered"])
        mean = sum(row[1] for row in rows if row[1] > 8) / sum(1 for row in rows if row[1] > 8)
        check(abs(j["current_a"] - mean) < 0.05, name, "mean", j["current_a"], mean)
        check(bool([w for w in answer["warnings"] if w["kind"] == "slow"]) == (dt == 10), name, answer["warnings"])

        rows = rows_of(dt, [(20, 170)], 400)
        status, answer, j = judge(folder, rows, "--start", "cold")
        check(status == 4 and j["cause"] == "thermal-cutout" and j["or_cause"] == "operator", name, "cut", status, j)
        status, answer, j = judge(folder, rows, "--start", "cold", "--load-held")
        check(status == 3 and j["verdict"] == "not-met" and j["or_cause"] != "operator", name, "held, cut", status, j)
        check(abs(j["shutoff_s"] - 150) <= dt and j["shutoff_half_width_s"] >= dt / 2, name, "shutoff", j["shutoff_s"],
              j["shutoff_half_width_s"])

        rows = rows_of(dt, [(20, 290)], 400, lost_at=140)
        status, answer, j = judge(folder, rows, "--start", "cold", "--load-held", "--circuit", "old-3")
        check(status == 4 and j["cause"] == "supply-lost" and "old-3" in j["finding"], name, "lost", status, j)
        check(abs(j["shutoff_s"] - 120) <= dt, name, "lost", j["shutoff_s"])

    # 236 s of the rated 240 s: ten seconds between readings cannot tell, a tenth of a second can.
    status, _, j = judge(folder, rows_of(10, [(20, 256)], 400), "--start", "cold", "--load-held")
    check(status == 4, "236 s every 10 s", status, j["reason"])
    status, _, j = judge(folder, rows_of(0.1, [(20, 256)], 400), "--start", "cold", "--load-held")
    check(status == 3, "236 s every 0.1 s", status, j["reason"])


def knowledge(folder):
    """What is not known is neither claimed nor held against anybody."""
    rows = rows_of(1, [(20, 170)], 400)
    bare = {s: MAP[s] for s in ("i2", "u2")}
    status, answer, j = judge(folder, rows, "--load-held", mapping=bare)
    check(status == 4 and j["cause"] == "unknown", "bare", status, j)
    check(j["basis"] == "cycle-start-unknown" and j["supply_v"] is None and j["percent_on_demanded"] is None, "bare", j)
    said = " ".join(answer["unknown"])
    for words in ("interlock", "cold or warm", "the supply's volts", "the intake air"):
        check(words in said, "bare", words, "is not in", said)
    some = dict(bare, u1=MAP["u1"], i1=MAP["i1"])
    status, answer, j = judge(folder, rows, "--start", "cold", "--load-held", mapping=some)
    check(status == 4 and "intake air not seen" in j["reason"], "no intake", status, j["reason"])
    status, answer, j = judge(folder, rows, "--start", "cold", "--load-held", "--intake", "22 degC", mapping=some)
    check(status == 3 and j["intake_degc"] == 22, "intake stated", status, j["reason"])
    check("it is taken as stated" in " ".join(answer["unknown"]), "intake stated", answer["unknown"])

    # The record begins while the unit is on-load: it may have been so for long.
    status, _, j = judge(folder, rows_of(1, [(-100, 100)], 300), "--start", "warm", "--load-held")
    check(status == 4, "begins on-load", status, j["reason"])
    status, _, j = judge(folder, rows_of(1, [(-100, 300)], 400), "--start", "warm")
    check(status == 0, "begins on-load and holds", status, j["reason"])
    # ... or ends so.
    status, _, j = judge(folder, rows_of(1, [(20, 500)], 200), "--start", "cold")
    check(status == 4 and "no complete on-load part" in j["reason"], "ends on-load", status, j["reason"])
    status, _, j = judge(folder, rows_of(1, [], 200), "--start", "cold")
    check(status == 4 and "no current" in j["reason"], "nothing", status, j["reason"])

    # The load's own contact says whether somebody opened it.
    closed = dict(MAP, feedback="Load closed")
    heads = COLUMNS + ["Load closed"]
    status, _, j = judge(folder, rows_of(0.1, [(20, 170)], 400, closed=[(20, 180)]), "--start", "cold", mapping=closed,
                         heads=heads)
    check(status == 3 and j["cause"] == "thermal-cutout", "contact closed", status, j["reason"])
    status, _, j = judge(folder, rows_of(0.1, [(20, 170)], 400, closed=[(20, 169.5)]), "--start", "cold", mapping=closed,
                         heads=heads)
    check(status == 4 and j["cause"] == "operator", "contact opened", status, j["reason"])
    # A live output whose voltage rises when the current goes: a load that was opened, or a lead that came off.
    status, _, j = judge(folder, rows_of(0.1, [(20, 170)], 400, open_v=70), "--start", "cold", process="mma")
    check(status == 4 and (j["cause"], j["or_cause"]) == ("operator", "load-path-open"), "opened", j)


def course(folder):
    """Cycles, heavier ones, gaps, equilibrium."""
    rows = rows_of(1, [(20 + 600 * k, 266 + 600 * k) for k in range(3)], 1800)
    status, answer, j = judge(folder, rows, "--start", "cold", procedure="proof")
    check(status == 0 and j["cycles_valid"] == 3, "three cycles", status, j["reason"])
    status, answer, j = judge(folder, rows, "--start", "cold", "--cycles", "4", procedure="proof")
    check(status == 4 and "3 of 4" in j["reason"], "four asked", status, j["reason"])
    status, answer, j = judge(folder, rows, "--start", "cold", "--from", "500 s", "--until", "1100 s", procedure="proof")
    check(status == 0 and j["cycles_valid"] == 1, "one cut out", status, j["reason"])

    # 400 s on and 200 s off is more than 40 %: that the unit is cut out after it is no fail.
    heavy = rows_of(1, [(20, 420), (620, 770)], 1200)
    status, _, j = judge(folder, heavy, "--start", "cold", "--load-held", procedure="proof")
    check(status == 4 and "heavier-cycle" in j["deviations"], "heavier", status, j["reason"], j["deviations"])
    fair = rows_of(1, [(20, 266), (620, 770)], 1200)
    status, _, j = judge(folder, fair, "--start", "cold", "--load-held", procedure="proof")
    check(status == 3, "as heavy as rated", status, j["reason"])
    # Long pauses are kind.
    status, _, j = judge(folder, rows_of(1, [(20, 266), (1020, 1266)], 1400), "--start", "cold", procedure="proof")
    check(status == 4 and "long-pause" in j["deviations"], "long pause", status, j["reason"])

    status, answer, j = judge(folder, rows_of(1, [(20, 290)], 400, gap=(100, 140)), "--start", "cold")
    gaps = [w for w in answer["warnings"] if w["kind"] == "gap"]
    check(status == 4 and gaps and gaps[0]["told"][0]["line"] == 102, "gap", status, gaps)

    rows = rows_of(1, [(20 + 600 * k, 267 + 600 * k) for k in range(30)], 18000)
    status, answer, j = judge(folder, rows, "--start", "cold", "--to-equilibrium", procedure="soak")
    check(status == 0 and j["verdict"] == "met" and j["basis"] == "equilibrium", "soak", status, j["reason"])
    check(answer["decided_line"] is not None, "soak", "is decided before its end")
    again = judge(folder, rows, "--start", "cold", "--to-equilibrium", procedure="soak")
    check(again[1] == answer, "soak", "is not the same twice")
    status, answer, j = judge(folder, rows, "--start", "cold", "--to-equilibrium", "--until", "1 h", procedure="soak")
    check(status == 0 and j["verdict"] == "held", "an hour of it", status, j["reason"])


def memory(folder):
    """A file fifteen times as long takes no more memory."""
    most = []
    for count in (8000, 120000):
        path = os.path.join(folder, "long.csv")
        with open(path, "w", encoding="ascii") as out:
            out.write("t,I,U\n")
            for k in range(count):
                out.write("%.1f,%.1f,16.5\n" % (k * 0.1, 161.0 if k % 6000 < 2600 else 0.0))
        pid = os.posix_spawn(program, [program, "replay", path, "--process", "tig", "--current", "160 A", "--percent-on", "40",
                                       "--procedure", "proof", "--time", "t", "--column", "i2=I;unit=A;uncertainty=1 %",
                                       "--column", "u2=U;unit=V;uncertainty=1 %", "--json"], os.environ,
                             file_actions=[(os.POSIX_SPAWN_OPEN, 1, os.devnull, os.O_WRONLY, 0)])
        _, status, usage = os.wait4(pid, 0)
        check(os.WEXITSTATUS(status) in (0, 4), "memory", status)
        most.append(usage.ru_maxrss)
    check(most[1] < most[0] + 4096, "memory", "%d kB and %d kB" % tuple(most))


with tempfile.TemporaryDirectory() as work:
    for part in (pace, knowledge, course, memory):
        part(work)
print("\n".join(problems) or "records are judged as they were made")
sys.exit(bool(problems))
