"""What a lab needs beside an export's tables: package.py FOLDER, as the walk of docs/lab.md has left it.

Ends of lines by RFC 4180, units of every figure, meters, rating plate, versions, provenance. That columns and cells are as
described is package_check.py's part.
"""
import json
import os
import sys

folder = os.path.join(sys.argv[1], "run-1")
package = json.load(open(os.path.join(folder, "datapackage.json"), encoding="utf-8"))
problems = []


def check(holds, *words):
    if not holds:
        problems.append(" ".join(str(w) for w in words))


SUFFIXES = {"_a": "A", "_v": "V", "_w": "W", "_degc": "degC", "_s": "s", "_k_per_h": "K/h", "percent_on": "%",
            "percent_on_demanded": "%", "percent_on_delivered": "%"}
fields = {}
for resource in package["resources"]:
    path = os.path.join(folder, resource["path"])
    columns = resource["schema"]["fields"]
    fields[resource["name"]] = {c["name"]: c for c in columns}
    with open(path, "rb") as f:
        raw = f.read()
    check(raw.endswith(b"\r\n") and raw.count(b"\n") == raw.count(b"\r\n"), path, "does not end its lines by CR LF")
    for column in columns:
        for suffix, unit in SUFFIXES.items():
            if column["type"] == "number" and column["name"].endswith(suffix):
                check(column.get("unit") == unit, path, column)
                break

readings = fields["readings"]
i2 = readings["i2_a"]
# As config/examples/harrow-quay.yaml states this meter.
check(i2["uncertainty"]["kind"] == "limits-of-error" and i2["uncertainty"]["of_reading_pct"] == 0.5, i2)
check(i2["certificate"] == "HQ-C-118" and i2["quantity"] == "mean" and i2["calibration_due"] == "2027-05-31", i2)
plate = package["rating_plate"]
check(plate["serial"] == "HQ-0147" and plate["maker"] == "Quillhaven" and plate["version"] == 1, plate)
check(plate["rating_point"]["current_a"] == 160 and plate["rating_point"]["percent_on"] == 40, plate)
check(len(plate["ratings"]) == 2, plate)
versions = package["versions"]
check(versions["engine"].startswith("soakbench-engine ") and versions["rules"] >= 1 and versions["export"] == 1, versions)
provenance = package["provenance"]
check(len(provenance["run_digest_sha256"]) == 64 and provenance["procedure"] == "soak" and provenance["virtual_bench"] is True, provenance)
print("\n".join(problems) or "%d tables are as described" % len(package["resources"]))
sys.exit(bool(problems))
