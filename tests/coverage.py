"""What tests/coverage prints: gcov's counts of the core's sources."""
import collections
import json
import os
import re
import subprocess
import sys

BUILD, CORE, FILES = sys.argv[1], sys.argv[2], sys.argv[3:]
Lines = collections.namedtuple("Lines", "count branches")


def read_counts():
    """By source file, by line: how often it ran, and how often each of its branches was taken."""
    objects = [os.path.abspath(os.path.join(folder, name)) for module in CORE.split("|")
               for folder, _, names in os.walk(f"{BUILD}/CMakeFiles/granary.dir/src/{module}") for name in names if name.endswith(".gcda")]
    counts = {}
    # On its standard output: files of its own would have one name for all sources that are called peak.c.
    told = subprocess.run(["gcov", "--stdout", "--json-format", "--branch-probabilities", *objects], check=True, capture_output=True, text=True)
    for document in told.stdout.splitlines():
        for file in json.loads(document)["files"]:
            path = re.sub(r"^.*?/?(src/.*)$", r"\1", file["file"])
            if re.match(rf"src/({CORE})/", path):
                add(counts.setdefault(path, {}), file["lines"])
    return counts


def add(lines, found):
    for line in found:
        branches = [branch["count"] for branch in line["branches"] if not branch["throw"]]
        known = lines.get(line["line_number"])
        if known:
            longer = max(known.branches, branches, key=len)
            branches = [sum(pair) for pair in zip(known.branches, branches)] if len(known.branches) == len(branches) else longer
            lines[line["line_number"]] = Lines(known.count + line["count"], branches)
        else:
            lines[line["line_number"]] = Lines(line["count"], branches)


def sums(files):
    every = [line for lines in files for line in lines.values()]
    taken = [branch > 0 for line in every for branch in line.branches]
    return len(every), sum(line.count > 0 for line in every), len(taken), sum(taken)


def print_row(name, lines, covered, branches, taken):
    print(f"{name:<28} {lines:6} {100 * covered / max(lines, 1):6.1f} %  {branches:6} {100 * taken / max(branches, 1):6.1f} %")


def print_table(counts):
    print(f"{'':<28} {'lines':>6} {'run':>8}  {'branches':>6} {'taken':>6}")
    for module in CORE.split("|"):
        inside = {path: lines for path, lines in counts.items() if path.startswith(f"src/{module}/")}
        print_row(module, *sums(inside.values()))
    print_row("all", *sums(counts.values()))
    print("\nfiles with most that is not covered:")
    def missing(path):
        lines, covered, branches, taken = sums([counts[path]])
        return lines - covered + branches - taken
    for path in sorted(counts, key=missing, reverse=True)[:25]:
        print_row(path, *sums([counts[path]]))


def print_missing(path, lines):
    with open(path, encoding="utf-8") as stream:
        source = stream.read().split("\n")
    for number in sorted(lines):
        line = lines[number]
        if line.count == 0:
            print(f"{path}:{number}: never run: {source[number - 1].strip()}")
        elif 0 in line.branches:
            print(f"{path}:{number}: {line.branches.count(0)} of {len(line.branches)} branches never taken: {source[number - 1].strip()}")


found_counts = read_counts()
if FILES:
    for wanted in FILES:
        for source_path in sorted(found_counts):
            if source_path.startswith(wanted):
                print_missing(source_path, found_counts[source_path])
else:
    print_table(found_counts)
