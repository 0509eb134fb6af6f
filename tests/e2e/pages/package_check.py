"""Is a data package true? Every file has the columns that it names, in order, and every cell has its column's type
(Frictionless Table Schema: number, integer, string, datetime, boolean; an empty cell is a missing value)."""
import csv
import datetime
import json
import os
import sys

path = sys.argv[1]
folder = os.path.dirname(path)
package = json.load(open(path, encoding="utf-8"))
READ = {"number": float, "integer": int, "string": str,
        "datetime": lambda t: datetime.datetime.fromisoformat(t.replace("Z", "+00:00")),
        "boolean": lambda t: {"true": True, "false": False, "1": True, "0": False}[t]}
cells = 0
for resource in package["resources"]:
    fields = resource["schema"]["fields"]
    with open(os.path.join(folder, resource["path"]), newline="", encoding="utf-8") as f:
        rows = csv.reader(f)
        assert next(rows) == [x["name"] for x in fields], "%s: columns differ" % resource["path"]
        for line, row in enumerate(rows, 2):
            assert len(row) == len(fields), "%s:%d: %d cells" % (resource["path"], line, len(row))
            for field, cell in zip(fields, row):
                if cell != "":
                    READ[field["type"]](cell)
                    cells += 1
print("package_check: %d cells are as described" % cells)
