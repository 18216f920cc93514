"""granary backtest from the outside: a made-up month, the files of tests/backtest and conf/, what it prints and refuses."""
import csv
import datetime
import io
import json
import math
import os
import pathlib
import pty
import subprocess
import tempfile
import unittest

import jsonschema

from harness import TOOL

SOURCE = pathlib.Path(os.environ.get("GRANARY_SOURCE", pathlib.Path(__file__).resolve().parents[2]))
CONFIG = str(SOURCE / "tests/backtest/california.conf")
TARIFF_N = str(SOURCE / "tests/backtest/n.conf")
UTC = datetime.timezone.utc
START = datetime.datetime(2026, 3, 1, 8, tzinfo=UTC)  # midnight in Los Angeles; the clock goes forward on the 8th
SPEC = {"tariff", "strategy", "battery_kwh", "import_kwh", "export_kwh", "import_cost", "export_income", "standing_charge",
        "wear_cost", "total_cost", "cycles", "self_sufficiency", "share_of_foresight", "months"}


def usage_lines(days=40, solar=True, factor=1.0):
    yield "start_utc,load_kwh" + (",solar_kwh" if solar else "")
    for slot in range(48 * days):
        at = START + datetime.timedelta(minutes=30 * slot)
        hour = (at.hour + at.minute / 60 - 8) % 24
        load = (0.2 + (0.5 if 17 <= hour < 22 else 0) + 0.05 * (slot % 7)) * factor
        sun = max(0, math.sin(math.pi * (hour - 6) / 12)) * (0.6 + 0.3 * (slot // 48 % 3)) * factor
        yield f"{at:%Y-%m-%dT%H:%M:%SZ},{load:.4f}" + (f",{sun:.4f}" if solar else "")


class Backtest(unittest.TestCase):
    def setUp(self):
        folder = tempfile.TemporaryDirectory()
        self.addCleanup(folder.cleanup)
        self.folder = pathlib.Path(folder.name)
        self.usage = self.write("usage.csv", "\n".join(usage_lines()) + "\n")

    def write(self, name, text):
        (self.folder / name).write_text(text, encoding="utf-8")
        return str(self.folder / name)

    def run_tool(self, *arguments, usage=None, config=CONFIG):
        command = [TOOL, "backtest", config, "--usage", usage or self.usage, *arguments]
        return subprocess.run(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, timeout=120, check=False)

    def results(self, *arguments, **options):
        run = self.run_tool("--json", *arguments, **options)
        self.assertEqual(run.returncode, 0, run.stderr)
        return json.loads(run.stdout)

    def refused(self, words, *arguments, status=2, **options):
        run = self.run_tool(*arguments, **options)
        self.assertEqual((run.returncode, run.stdout), (status, ""), run.stderr)
        self.assertIn(words, run.stderr)

    def test_every_tariff_meets_every_strategy_and_size(self):
        out = self.results("--tariff", TARIFF_N, "--tariff", str(SOURCE / "conf/tariffs/peak-steps.conf"),
                           "--strategy", "follow", "--strategy", "planned", "--battery-kwh", "5,10", "--from", "2026-03-25",
                           "--to", "2026-04-05")
        seen = [(r["tariff"], r["strategy"], r["battery_kwh"]) for r in out["results"]]
        self.assertEqual(seen, [(t, s, b) for t in ("N", "Stairs") for b in (5, 10) for s in ("follow", "planned")])
        for result in out["results"]:
            self.assertLessEqual(SPEC, set(result))
            self.assertEqual([month["month"] for month in result["months"]], ["2026-03", "2026-04"])
            parts = (result["import_cost"] - result["export_income"] + result["standing_charge"] + result["wear_cost"]
                     + result["peak_charge"] - result["left_value"])
            self.assertAlmostEqual(result["total_cost"], parts, 5)
            self.assertAlmostEqual(sum(month["import_kwh"] for month in result["months"]), result["import_kwh"], 5)

    def test_the_share_is_reckoned_from_follow_and_foresight(self):
        out = self.results("--tariff", TARIFF_N, "--to", "2026-03-20")
        cost = {result["strategy"]: result["total_cost"] for result in out["results"]}
        self.assertEqual(list(cost), ["none", "follow", "night-fill", "planned", "foresight"])
        self.assertEqual(min(cost, key=cost.get), "foresight")
        for result in out["results"]:
            share = (cost["follow"] - result["total_cost"]) / (cost["follow"] - cost["foresight"])
            self.assertAlmostEqual(result["share_of_foresight"], share, 5)

    def test_the_same_call_gives_the_same_figures(self):
        arguments = ("--tariff", TARIFF_N, "--strategy", "planned", "--within-slot", "model", "--seed", "5", "--to", "2026-03-10")

        def figures():
            return [{k: v for k, v in r.items() if k != "processor_seconds"} for r in self.results(*arguments)["results"]]
        self.assertEqual(figures(), figures())

    def test_the_table_fits_thirty_lines(self):
        tariffs = [part for name in ("flat", "night-band", "three-bands", "peak-steps", "peak-per-kw")
                   for part in ("--tariff", str(SOURCE / f"conf/tariffs/{name}.conf"))]
        run = self.run_tool(*tariffs, "--strategy", "none", "--strategy", "follow", "--strategy", "night-fill",
                            "--battery-kwh", "5,10,15", "--to", "2026-03-05")
        self.assertEqual(run.returncode, 0, run.stderr)
        self.assertLessEqual(run.stdout.count("\n"), 30)
        lines = run.stdout.splitlines()
        heads = next(line for line in lines if line.startswith("strategy"))
        self.assertEqual(heads.split(), ["strategy", "kWh", "Plain", "Owl", "Tide", "Stairs", "Summit", "less", "share"])
        rows = lines[lines.index(heads) + 1:lines.index(heads) + 8]
        self.assertEqual([row.count("*") for row in rows], [1] * 7)  # none once, the others with each size

    def test_the_table_says_which_tariff_wins_and_by_how_much(self):
        arguments = ("--tariff", TARIFF_N, "--tariff", str(SOURCE / "conf/tariffs/peak-steps.conf"), "--strategy", "none",
                     "--strategy", "follow", "--strategy", "foresight", "--battery-price-per-kwh", "300")
        results = [r for r in self.results(*arguments)["results"] if r["kind"] != "foresight"]
        best = min(results, key=lambda r: r["total_cost"])
        following = min((r for r in results if r["tariff"] != best["tariff"]), key=lambda r: r["total_cost"])
        run = self.run_tool(*arguments)
        self.assertIn(f"Cheapest: {best['tariff']} with {best['strategy']}, 13.5 kWh: {best['total_cost']:.2f}. Without a battery: "
                      f"{best['total_cost'] + best['saving']:.2f}.\nNext tariff: {following['tariff']}", run.stdout)
        self.assertIn(f"{following['total_cost'] - best['total_cost']:.2f} more", run.stdout)
        self.assertRegex(run.stdout, rf"\n{best['tariff']} .* {best['payback_years']:.1f} y\n")
        soonest = min((r for r in results if r["kind"] != "none" and r["payback_years"]), key=lambda r: r["payback_years"])
        self.assertIn(f"Soonest paid for: {soonest['tariff']} with {soonest['strategy']}, 13.5 kWh: {soonest['payback_years']:.1f} years.\n", run.stdout)
        proven = all(r["foresight_is_bound"] for r in self.results(*arguments)["results"] if r["tariff"] == "Stairs")
        self.assertRegex(run.stdout, rf"\nStairs +foresight .* {'' if proven else '~'}1\.000 ")
        self.assertEqual("Not proven to be out of reach" in run.stdout, not proven)

    def test_many_tariffs_are_cut_to_the_cheapest_runs(self):
        tariffs = []
        for number in range(8):
            text = pathlib.Path(TARIFF_N).read_text().replace('name = "N"', f'name = "N{number}"')
            tariffs += ["--tariff", self.write(f"n{number}.conf", text)]
        run = self.run_tool(*tariffs, "--tariff", str(SOURCE / "conf/tariffs/peak-steps.conf"), "--battery-price-per-kwh", "100",
                            "--strategy", "none", "--strategy", "follow", "--battery-kwh", "5,10", "--to", "2026-03-03")
        self.assertLessEqual(run.stdout.count("\n"), 30)
        self.assertIn("The cheapest 16 of 27; --report, --json and --csv hold all.", run.stdout)

    def test_the_json_is_as_its_schema_says(self):
        schema = json.loads((SOURCE / "docs/backtest.schema.json").read_text())
        jsonschema.Draft202012Validator.check_schema(schema)
        for arguments in (("--strategy", "follow"), ("--strategy", "foresight", "--battery-kwh", "5,10", "--battery-price", "1500,2500"),
                          ("--strategy", "none", "--tariff", str(SOURCE / "conf/tariffs/peak-steps.conf"), "--within-slot", "model")):
            out = self.results(*arguments, "--to", "2026-03-12")
            jsonschema.Draft202012Validator(schema).validate(out)
            self.assertLessEqual(SPEC, set(out["results"][0]))

    def test_the_carbon_of_the_tariff_or_of_the_configuration_is_told_beside_the_money(self):
        schema = json.loads((SOURCE / "docs/backtest.schema.json").read_text())
        bands = '{ kind = "bands"; name = "carbon"; bands = ( { carbon_kg_per_kwh = %s; } ); }'
        battery = (pathlib.Path(CONFIG).parent / "battery.conf").read_text()
        self.write("battery.conf", battery.replace("rates = {", f"rates = {{ carbon = ( {bands % 0.3} );"))
        house = self.write("house.conf", pathlib.Path(CONFIG).read_text())  # includes battery.conf of its own folder
        clean = self.write("clean.conf", pathlib.Path(TARIFF_N).read_text().replace("rates = {", f"rates = {{ carbon = ( {bands % 0.02} );")
                           .replace('name = "N"', 'name = "clean"'))
        arguments = ("--strategy", "none", "--strategy", "follow", "--tariff", TARIFF_N, "--tariff", clean, "--to", "2026-03-09")
        out = self.results(*arguments, config=house)
        jsonschema.Draft202012Validator(schema).validate(out)
        for result in out["results"]:
            kg = 0.02 if result["tariff"] == "clean" else 0.3  # the tariff's own goes before that of the configuration
            self.assertAlmostEqual(result["import_co2_kg"], kg * result["import_kwh"], 6)
            self.assertAlmostEqual(sum(month["export_co2_kg"] for month in result["months"]), kg * result["export_kwh"], 6)
        run = self.run_tool(*arguments, config=house)
        self.assertRegex(run.stdout, r"\ntariff .* share  CO2 kg\n")
        plain = self.results("--strategy", "none", "--tariff", TARIFF_N, "--to", "2026-03-03")["results"][0]
        self.assertIsNone(plain["import_co2_kg"])

    def test_the_csv_file_has_a_line_for_each_run_and_month(self):
        path = str(self.folder / "out.csv")
        run = self.run_tool("--tariff", TARIFF_N, "--strategy", "follow", "--strategy", "none", "--csv", path)
        self.assertEqual(run.returncode, 0, run.stderr)
        with open(path, encoding="utf-8", newline="") as file:
            rows = list(csv.DictReader(io.StringIO(file.read())))
        self.assertEqual([(r["strategy"], r["month"]) for r in rows],
                         [(s, m) for s in ("follow", "none") for m in ("2026-03", "2026-04")])
        for option in ("--csv", "--report"):
            self.refused("/nowhere/out: cannot be written", "--tariff", TARIFF_N, "--strategy", "none", option, "/nowhere/out", status=1)

    def test_dates_are_local_and_include_both_days(self):
        out = self.results("--tariff", TARIFF_N, "--strategy", "none", "--from", "2026-03-07", "--to", "2026-03-08")
        self.assertEqual((out["from"], out["to"]), ("2026-03-07T08:00:00Z", "2026-03-09T07:00:00Z"))
        self.assertAlmostEqual(out["results"][0]["days"], 2, 6)
        self.refused("do not lie inside the usage", "--tariff", TARIFF_N, "--from", "2025-01-01")
        self.refused("the period ends before it begins", "--tariff", TARIFF_N, "--from", "2026-03-09", "--to", "2026-03-07")
        self.refused("expected a date", "--tariff", TARIFF_N, "--to", "2026-02-30")

    def test_other_columns_and_units_are_read(self):
        lines = [line.replace("start_utc,load_kwh,solar_kwh", "when;used;made").replace(",", ";") for line in usage_lines(factor=1000)]
        usage = self.write("other.csv", "\n".join(lines) + "\n")
        plain = self.results("--tariff", TARIFF_N, "--strategy", "follow")["results"][0]
        mapped = self.results("--tariff", TARIFF_N, "--strategy", "follow", "--columns",
                              "start=when,load=used,solar=made,unit=wh,separator=semicolon", usage=usage)["results"][0]
        self.assertAlmostEqual(mapped["total_cost"], plain["total_cost"], 3)
        self.refused("--columns: found \"unit=mwh\"", "--columns", "unit=mwh")

    def test_gaps_are_told_and_left_out(self):
        lines = list(usage_lines())
        usage = self.write("gaps.csv", "\n".join(lines[:100] + lines[150:]) + "\n")
        run = self.run_tool("--tariff", TARIFF_N, "--strategy", "follow", "--json", usage=usage)
        self.assertIn("the longest of 25.0 hours", run.stderr)
        self.assertEqual(json.loads(run.stdout)["results"][0]["gaps"], 50)

    def test_usage_without_sun_is_reckoned_without(self):
        usage = self.write("dark.csv", "\n".join(usage_lines(solar=False)) + "\n")
        run = self.run_tool("--tariff", TARIFF_N, "--strategy", "planned", "--json", "--to", "2026-03-14", usage=usage)
        self.assertIn("no solar column: reckoned without panels", run.stderr)
        self.assertEqual(json.loads(run.stdout)["results"][0]["solar_kwh"], 0)

    def test_sun_without_load_is_refused_and_what_it_can_still_do_is_said(self):
        lines = [",".join(line.split(",")[::2]) for line in usage_lines()]
        usage = self.write("sun.csv", "\n".join(lines) + "\n")
        self.refused("no load column: a bill needs what the house used", usage=usage)
        self.refused("`granary import` takes it", usage=usage)

    def test_what_is_odd_in_the_usage_is_told(self):
        lines = list(usage_lines())
        odd = {"watts": (list(usage_lines(factor=1000)), ["so high that a wrong unit is likely", "W or Wh taken for kW or kWh", "--columns unit="]),
               "twice": (lines[:60] + lines[50:], ["10 rows stand twice, taken once"]),
               "below": (lines[:50] + [lines[50].split(",")[0] + ",-0.3,0"] + lines[51:], ["1 value is below 0, taken as 0"]),
               "empty": (lines[:50] + [lines[50].split(",")[0] + ",,0"] + lines[51:],
                         ["1 cell is empty", "1 gap without usage, the first from 2026-03-02T00:30:00-08:00, the longest of 0.5 hours"]),
               "local": ([lines[0]] + [f"{START.replace(tzinfo=None) + datetime.timedelta(minutes=30 * i) - datetime.timedelta(hours=8):%Y-%m-%d %H:%M}"
                                       + line[20:] for i, line in enumerate(lines[1:14 * 48])], ["does not exist", "--columns tells how"])}
        for name, (rows, words) in odd.items():
            with self.subTest(name):
                mapping = ("--columns", "times=local") if name == "local" else ()
                run = self.run_tool("--tariff", TARIFF_N, "--strategy", "none", *mapping, usage=self.write(name + ".csv", "\n".join(rows) + "\n"))
                for word in words:
                    self.assertIn(word, run.stderr)

    def test_a_tariff_without_prices_for_a_part_names_the_part(self):
        self.refused("import prices are missing from 2026-03-01T00:00:00-08:00 to 2026-03-09T17:00:00-07:00",
                     "--tariff", str(SOURCE / "conf/tariffs/half-hourly.conf"))

    def test_the_configured_rates_serve_where_no_tariff_is_named(self):
        out = self.results("--strategy", "none")
        self.assertEqual(out["results"][0]["tariff"], "configured")

    def test_the_progress_bar_is_for_terminals_only(self):
        arguments = [TOOL, "backtest", CONFIG, "--usage", self.usage, "--tariff", TARIFF_N, "--strategy", "follow"]
        quiet = self.run_tool("--tariff", TARIFF_N, "--strategy", "follow")
        self.assertEqual((quiet.returncode, quiet.stderr), (0, ""))
        ours, theirs = pty.openpty()
        shown = b""
        with subprocess.Popen(arguments, stdout=subprocess.DEVNULL, stderr=theirs) as run, open(ours, "rb", buffering=0) as terminal:
            os.close(theirs)
            try:
                while part := terminal.read(65536):
                    shown += part
            except OSError:  # Linux's end of a terminal whose other side is closed
                pass
        self.assertEqual(run.returncode, 0)
        self.assertIn(b"100 % [########################################]", shown)

    def test_mistakes_are_named(self):
        for words, arguments in {
                "--battery-kwh: found \"5,x\"": ("--battery-kwh", "5,x"), "--truth: found \"wind\"": ("--truth", "wind"),
                "--within-slot: found \"maybe\"": ("--within-slot", "maybe"), "--seed: found \"-1\"": ("--seed", "-1"),
                "--battery-kwh: found \"5,5\"": ("--battery-kwh", "5,5"),
                "--battery-price: found \"0\"": ("--battery-price", "0"),
                "found 2 prices, expected one for each of 1 size": ("--battery-price", "100,200"),
                "--battery-price-per-kwh: found \"1,2\"": ("--battery-price-per-kwh", "1,2"),
                "not both": ("--battery-price-per-kwh", "1", "--battery-price", "2"),
                "two strategies are called \"follow\"": ("--strategy", "follow", "--strategy", "follow"),
                "two tariffs are called \"N\"": ("--tariff", TARIFF_N, "--tariff", TARIFF_N),
                "no-such-strategy: cannot be read": ("--strategy", "no-such-strategy"),
                "no-such.conf: cannot be read": ("--tariff", "no-such.conf")}.items():
            with self.subTest(words=words):
                self.refused(words, *arguments)
        self.refused("cannot", usage=str(self.folder / "none.csv"))


if __name__ == "__main__":
    unittest.main()
