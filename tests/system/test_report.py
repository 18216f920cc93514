"""granary backtest --report in a real browser: an invented household, looked at as a phone, a desk, a dark room and a printer do."""
import datetime
import html.parser
import json
import math
import pathlib
import re
import subprocess
import tempfile
import unittest

from browser import Browser
from harness import BUILD, SOURCE, TOOL

HOUSE = pathlib.Path(SOURCE) / "tests/backtest/california.conf"
START = datetime.datetime(2026, 3, 2, 8, tzinfo=datetime.timezone.utc)  # a Monday's midnight in Los Angeles
NASTY = "<script>alert(1)</script> & \"quoted\" 'name'"
LONG = "A tariff whose name is as long as names are allowed to be: 63"
HAS_CHARTS = "D3_SCRIPT:FILEPATH=/" in (pathlib.Path(BUILD) / "CMakeCache.txt").read_text()


def usage_text(days, solar):
    lines = ["start_utc,load_kwh" + (",solar_kwh" if solar else "")]
    for hour in range(24 * days):
        at = START + datetime.timedelta(hours=hour)
        clock = (at.hour - 8) % 24
        load = 0.4 + (1.1 if 17 <= clock < 22 else 0) + 0.1 * (hour % 5)
        sun = max(0, math.sin(math.pi * (clock - 6) / 12)) * (1.0 + 0.8 * (hour // 24 % 3))
        lines.append(f"{at:%Y-%m-%dT%H:%M:%SZ},{load:.3f}" + (f",{sun:.3f}" if solar else ""))
    return "\n".join(lines) + "\n"


def tariff_text(name, night, day, export, peak=""):
    name = name.replace("\\", "\\\\").replace('"', '\\"')
    return f'''name = "{name}"; standing_charge_per_day = 0.30;
rates = {{ currency = "EUR";
  import = ( {{ kind = "bands"; name = "import"; bands = ( {{ from = "00:00"; to = "05:00"; price_per_kwh = {night}; }},
                                                       {{ from = "05:00"; to = "24:00"; price_per_kwh = {day}; }} ); }} );
  export = ( {{ kind = "bands"; name = "export"; bands = ( {{ price_per_kwh = {export}; }} ); }} ); }};
{peak}
'''


class Tables(html.parser.HTMLParser):
    """The cells' texts of every table, by its id; and the plain facts about the document."""

    def __init__(self, text):
        super().__init__()
        self.tables, self.rows, self.cell, self.elements = {}, None, None, []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.elements.append((tag, dict(attrs)))
        if tag == "table":
            self.rows = self.tables.setdefault(dict(attrs)["id"], [])
        elif tag == "tr":
            self.rows.append([])
        elif tag in ("th", "td"):
            self.cell = ""

    def handle_data(self, data):
        if self.cell is not None:
            self.cell += data

    def handle_endtag(self, tag):
        if tag in ("th", "td"):
            self.rows[-1].append(self.cell)
            self.cell = None


def shown(value, decimals, unit=""):
    if value is None:
        return "–"
    text = f"{abs(value):.{decimals}f}"
    return ("−" if value < 0 and float(text) else "") + text + unit


class Report(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        cls.place = tempfile.TemporaryDirectory()
        cls.addClassCleanup(cls.place.cleanup)
        cls.folder = pathlib.Path(cls.place.name)
        cls.page = cls.folder / "report.html"
        cls.figures = cls.write(cls.page, days=91, sizes="5,10")
        cls.text = cls.page.read_text(encoding="utf-8")
        if HAS_CHARTS:
            cls.browser = cls.enterClassContext(Browser())

    @classmethod
    def write(cls, page, days, sizes, solar=True, more_tariffs=0, extra=()):
        """Writes a report and gives the JSON of the same call."""
        usage = cls.folder / f"usage{days}.csv"
        usage.write_text(usage_text(days, solar))
        command = [TOOL, "backtest", str(HOUSE), "--usage", str(usage), "--json", "--report", str(page), "--battery-kwh", sizes, *extra]
        if "," in sizes:
            command += ["--battery-price", "2000,3500"]
        peak = "peak = { minutes = 60; mean_of_days = 1; per_kw = 3.0; };"
        others = [tariff_text(f"Moor {number}", 0.2, 0.21 + 0.01 * number, 0.05) for number in range(more_tariffs)]
        for number, text in enumerate([tariff_text(NASTY, 0.09, 0.30, 0.15), tariff_text(LONG, 0.22, 0.24, 0.05),
                                       tariff_text("Crag", 0.15, 0.20, 0.05, peak), *others]):
            path = cls.folder / f"tariff{number}.conf"
            path.write_text(text)
            command += ["--tariff", str(path)]
        for strategy in ("none", "follow", "night-fill", "foresight"):
            command += ["--strategy", strategy]
        run = subprocess.run(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, timeout=120, check=False)
        if run.returncode != 0:
            raise AssertionError(run.stderr)
        return json.loads(run.stdout)

    def setUp(self):
        self.figures, self.text, self.browser = type(self).figures, type(self).text, getattr(type(self), "browser", None)

    def look(self, width=1100, height=900, mobile=False, scheme="light", page=None):
        if not HAS_CHARTS:
            self.skipTest("built without the chart library node-d3")
        self.browser.size(width, height, mobile)
        self.browser.prefer(scheme=scheme, motion="reduce")
        self.browser.open("about:blank")
        self.browser.requests(), self.browser.log("browser")
        self.browser.open((page or self.page).as_uri())

    # ---- what is in the file ----

    def test_the_table_of_all_holds_the_figures_of_the_json(self):
        rows = Tables(self.text).tables["all-table"][1:]
        results = [r for r in self.figures["results"] if r["kind"] != "none" or r is next(
            x for x in self.figures["results"] if x["kind"] == "none" and x["tariff"] == r["tariff"])]
        self.assertEqual(len(rows), 3 * (1 + 3 * 2))
        for row, r in zip(rows, results, strict=True):
            battery = r["kind"] != "none"
            share, saving_share = (None if x is None else 100 * x for x in (r["share_of_foresight"], r["saving_share_of_foresight"]))
            share = share if battery and abs(share) < 1000 else None
            money = ("import_cost", "export_income", "standing_charge", "peak_charge", "wear_cost", "left_value", "total_cost", "saving")
            self.assertEqual(row, [r["tariff"], r["strategy"], shown(r["battery_kwh"] if battery else None, 1), shown(r["import_kwh"], 0),
                                   shown(r["export_kwh"], 0), *(shown(r[name], 2) for name in money), shown(share, 1, " %"),
                                   shown(saving_share, 1, " %"), shown(r["cycles"] if battery else None, 0),
                                   shown(100 * r["self_sufficiency"], 0, " %")])

    def test_the_winner_is_the_cheapest_that_one_can_have(self):
        real = [r for r in self.figures["results"] if r["kind"] != "foresight"]
        best = min(real, key=lambda r: r["total_cost"])
        following = min((r for r in real if r["tariff"] != best["tariff"]), key=lambda r: r["total_cost"])
        lead = re.search(r'<p class="lead">(.*?)</p>', self.text, re.S)[1]
        self.assertIn(shown(following["total_cost"] - best["total_cost"], 2), lead)
        self.assertEqual(self.figures["cheapest"]["total_cost"], best["total_cost"])
        self.assertEqual(self.figures["next_tariff"]["tariff"], following["tariff"])
        winner = next(row for row in Tables(self.text).tables["winners-table"] if row[0] == f"{best['strategy']}, {best['battery_kwh']:g} kWh")
        self.assertEqual(winner[1:3], [best["tariff"], shown(best["total_cost"], 2)])

    def test_the_battery_is_paid_for_when_its_price_is_saved(self):
        rows = Tables(self.text).tables["battery-table"][1:]
        self.assertEqual(len(rows), 3 * 2)
        for tariff, strategy, size, saving, _, price, years, _ in rows:
            r = next(r for r in self.figures["results"] if (r["tariff"], r["strategy"], shown(r["battery_kwh"], 1)) == (tariff, strategy, size))
            none = next(r for r in self.figures["results"] if r["tariff"] == tariff and r["kind"] == "none")
            a_year = (none["total_cost"] - r["total_cost"] + r["wear_cost"]) * 365 / r["days"]
            self.assertEqual((saving, price), (shown(a_year, 2), {"5.0": "2000.00", "10.0": "3500.00"}[size]))
            self.assertEqual(years, shown(float(price) / a_year, 1))

    def test_the_battery_that_is_paid_for_soonest_is_named(self):
        real = [r for r in self.figures["results"] if r["kind"] not in ("none", "foresight") and r["payback_years"] is not None]
        soonest = min(real, key=lambda r: r["payback_years"])
        found = self.figures["soonest_paid"]
        self.assertEqual([found[name] for name in ("tariff", "strategy", "battery_kwh")],
                         [soonest[name] for name in ("tariff", "strategy", "battery_kwh")])
        self.assertRegex(self.text, rf"paid for itself soonest: .*{soonest['strategy']}, {soonest['battery_kwh']:g} kWh.*, in {soonest['payback_years']:.1f} years")

    def test_without_a_price_the_payback_is_left_out_and_said_so(self):
        page = self.folder / "plain.html"
        self.write(page, days=3, sizes="10")
        text = page.read_text(encoding="utf-8")
        self.assertIn("--battery-price", text)
        self.assertEqual(len(Tables(text).tables["battery-table"][0]), 5)

    def test_names_from_outside_cannot_act(self):
        self.assertNotIn("<script>alert", self.text)
        self.assertIn("&lt;script&gt;alert(1)&lt;/script&gt; &amp; &quot;quoted&quot; &#39;name&#39;", self.text)
        data = re.search(r'<script type="application/json" id="figures">(.*?)</script>', self.text, re.S)[1]
        self.assertIsNone(re.search("[<>&]", data))
        self.assertEqual(json.loads(data)["tariffs"], [NASTY, LONG, "Crag"])

    def test_no_place_of_the_page_is_left_unfilled(self):
        visible = re.sub(r"<script.*?</script>|<style.*?</style>", "", self.text, flags=re.S)
        self.assertNotIn("{{", visible)
        self.assertNotIn("nan", visible.lower().split())

    def test_headings_landmarks_and_tables_are_marked_up(self):
        elements = Tables(self.text).elements
        names = [tag for tag, _ in elements]
        self.assertEqual([names.count(tag) for tag in ("h1", "main", "header", "nav", "footer")], [1] * 5)
        levels = [int(tag[1]) for tag in names if re.fullmatch("h[1-6]", tag)]
        self.assertTrue(all(later <= before + 1 for before, later in zip(levels, levels[1:])))
        ids = {attrs["id"] for _, attrs in elements if "id" in attrs}
        for tag, attrs in elements:
            for name in ("aria-labelledby", "href"):
                if attrs.get(name, "").startswith("#") or name == "aria-labelledby" and name in attrs:
                    self.assertIn(attrs[name].lstrip("#"), ids)
            if tag == "th":
                self.assertIn(attrs.get("scope"), ("col", "row"))

    @staticmethod
    def weeks(text):
        return json.loads(re.search(r'<script type="application/json" id="figures">(.*?)</script>', text, re.S)[1])["weeks"]

    def test_the_weeks_are_whole_and_differ_in_their_sun(self):
        weeks = self.weeks(self.text)
        self.assertEqual([it["what"] for it in weeks], ["a typical week", "a week with much sun", "a week with little sun"])
        for it in weeks:
            self.assertEqual([day["name"][:2] for day in it["days"]], ["Mo", "Tu", "We", "Th", "Fr", "Sa", "Su"])
            hours = [it["day"].count(day) for day in range(7)]
            self.assertIn(hours, ([24] * 7, [24] * 6 + [23]))  # the clock goes forward on Sunday the 8th of March
            self.assertEqual(len(it["runs"]), 3 * 3)
            for run in it["runs"]:
                price = next(p for p in it["prices"] if p["tariff"] == run["tariff"])
                self.assertEqual({len(x) for x in (run["battery_kw"], run["grid_kw"], run["stored_kwh"], price["import"], it["minute"])}, {sum(hours)})
                for grid, house, sun, battery in zip(run["grid_kw"], it["house_kw"], it["solar_kw"], run["battery_kw"]):
                    self.assertAlmostEqual(grid, house - sun + battery, 3)
        sums = [sum(it["solar_kw"]) for it in weeks]
        self.assertTrue(sums[1] >= sums[0] >= sums[2] and sums[1] > sums[2], sums)

    def test_finer_steps_are_shown_by_the_half_hour(self):
        page = self.folder / "fine.html"
        self.write(page, days=3, sizes="10", extra=("--within-slot", "model", "--seed", "4"))
        week, = self.weeks(page.read_text(encoding="utf-8"))
        self.assertEqual((week["what"], week["step_minutes"], len(week["house_kw"])), ("the first days", 30, 3 * 48))
        for hour in range(72):
            load = float(usage_text(3, True).splitlines()[1 + hour].split(",")[1])
            self.assertAlmostEqual(sum(week["house_kw"][2 * hour:2 * hour + 2]) / 2, load, 3)

    def test_it_is_said_where_foresight_is_not_proven_the_bound(self):
        bound = {r["tariff"]: r["foresight_is_bound"] for r in self.figures["results"]}
        self.assertTrue(bound[NASTY] and bound[LONG])
        self.assertEqual("Foresight is not proven to be the least" in self.text, not bound["Crag"])

    # ---- what a browser makes of it ----

    def test_nothing_is_fetched_and_nothing_complained_of(self):
        self.look()
        self.assertEqual([url for url in self.browser.requests() if not url.startswith("data:")], [self.page.as_uri()])
        self.assertEqual(self.browser.log("browser"), [])

    def test_the_policy_forbids_other_scripts_and_the_network(self):
        self.look()
        ran = self.browser.run("""
            const it = document.createElement("script"); it.textContent = "window.acted = true"; document.body.append(it);
            const image = new Image(); image.src = "https://granary.invalid/picture.png"; document.body.append(image);
            return window.acted === true;""")
        self.assertFalse(ran)
        self.assertEqual(self.browser.run("return fetch('https://granary.invalid/').then(() => 'went', () => 'stopped')"), "stopped")
        complaints = " ".join(entry["message"] for entry in self.browser.log("browser"))
        self.assertIn("Content Security Policy", complaints)

    def test_every_chart_is_drawn_and_has_words(self):
        self.look()
        drawn = self.browser.run("""
            return [...document.querySelectorAll("figure")].map((it) => { const svg = it.querySelector(".drawing svg"); return {
              name: it.dataset.chart, hidden: it.hidden, words: svg.getAttribute("aria-label"), role: svg.getAttribute("role"),
              marks: it.querySelectorAll(".drawing .mark").length, paths: it.querySelectorAll(".drawing path").length,
              broken: /NaN|undefined/.test(svg.outerHTML) }; });""")
        self.assertEqual([it["name"] for it in drawn], ["costs", "months", "week", "battery", "share"])
        for it in drawn:
            self.assertFalse(it["hidden"] or it["broken"], it)
            self.assertEqual(it["role"], "img")
            self.assertGreater(len(it["words"]), 60)
        marks = {it["name"]: it["marks"] for it in drawn}
        self.assertEqual(marks, {"costs": 3 * 4, "months": 3 * len(self.figures["results"][0]["months"]), "week": 0,
                                 "battery": 3 * 2, "share": 3 * 2})
        self.assertGreaterEqual(next(it["paths"] for it in drawn if it["name"] == "week"), 5)

    def test_few_days_without_sun_and_many_tariffs_are_drawn_too(self):
        page = self.folder / "small.html"
        figures = self.write(page, days=5, sizes="10", solar=False, more_tariffs=5)
        self.look(page=page, width=360, height=740, mobile=True)
        self.assertEqual(self.browser.log("browser"), [])
        seen = self.browser.run("""return [document.documentElement.scrollWidth, document.querySelectorAll('[data-chart="costs"] .drawing .mark').length,
            document.querySelector('[data-chart="costs"] .of').textContent, /NaN|undefined/.test(document.querySelector("main").innerHTML)];""")
        self.assertEqual(seen, [360, 6 * 4, ": EUR, the 6 cheapest of 8 tariffs", False])
        self.assertEqual(len(Tables(page.read_text(encoding="utf-8")).tables["all-table"]), 1 + len(figures["results"]))

    def test_a_choice_changes_drawing_words_and_table(self):
        self.look()
        before, after = self.browser.run("""
            const figure = document.querySelector('[data-chart="months"]'), select = figure.querySelector("select");
            const now = () => [figure.querySelector(".drawing .line").getAttribute("d"), figure.querySelector("svg[role]").getAttribute("aria-label"),
                               document.getElementById("months-table").textContent];
            const before = now();
            select.value = "none"; select.dispatchEvent(new Event("change"));
            return [before, now()];""")
        self.assertTrue(all(a != b for a, b in zip(before, after)))
        first = next(r for r in self.figures["results"] if r["kind"] == "none")["months"][0]
        self.assertIn(shown(first["cost"], 2), after[2])

    def test_the_week_can_be_read_by_keyboard(self):
        self.look()
        told = self.browser.run("""
            const it = document.querySelector('[data-chart="week"] input[type="range"]'); it.focus();
            it.value = 40; it.dispatchEvent(new Event("input"));
            return [document.activeElement === it, document.querySelector('[data-chart="week"] output').textContent, it.getAttribute("aria-valuetext")];""")
        self.assertTrue(told[0])
        self.assertRegex(told[1], r"^Tu \d{4}-\d\d-\d\d, 16:00: import 0.300, export 0.150 EUR/kWh; house \d")
        self.assertEqual(told[1], told[2])

    def test_a_phone_needs_no_sideways_scroll(self):
        self.look(360, 740, mobile=True)
        widths = self.browser.run("""
            const wide = [...document.querySelectorAll("body *")].filter((it) => !it.closest(".table") && !it.closest(".skip") &&
              it.getClientRects().length && it.getBoundingClientRect().right > 360.5).map((it) => it.outerHTML.slice(0, 80));
            return [document.documentElement.scrollWidth, wide];""")
        self.assertEqual(widths, [360, []])
        small = self.browser.run("""return [...document.querySelectorAll("nav a, select, summary, input")].filter((it) => it.getClientRects().length &&
            it.getBoundingClientRect().height < 24).map((it) => it.outerHTML.slice(0, 80));""")
        self.assertEqual(small, [])  # WCAG 2.2, 2.5.8: targets of 24 CSS pixels

    CONTRAST = """
        const channel = (c) => { c /= 255; return c <= 0.04045 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4; };
        const rgb = (text) => text.match(/[\\d.]+/g).map(Number);
        const light = (text) => { const [r, g, b] = rgb(text); return 0.2126 * channel(r) + 0.7152 * channel(g) + 0.0722 * channel(b); };
        const ratio = (a, b) => { const [x, y] = [light(a), light(b)].sort((p, q) => q - p); return (x + 0.05) / (y + 0.05); };
        const ground = (it) => { for (; it; it = it.parentElement) { const c = getComputedStyle(it).backgroundColor;
          if ((rgb(c)[3] ?? 1) > 0) return c; } return "rgb(255, 255, 255)"; };
        const texts = [], marks = [];
        document.querySelectorAll("body *").forEach((it) => {
          if (!it.getClientRects().length || it.closest("script")) return;
          const own = [...it.childNodes].some((node) => node.nodeType === 3 && node.textContent.trim());
          const style = getComputedStyle(it);
          if (own && it.tagName !== "title") texts.push([ratio(it instanceof SVGElement ? style.fill : style.color, ground(it)), it.outerHTML.slice(0, 90)]);
          if (it.matches(".mark, .line, .in, .out, .store, .sun")) marks.push([Math.max(...[style.fill, style.stroke].filter((c) => c !== "none")
            .map((c) => ratio(c, ground(it)))), it.outerHTML.slice(0, 90)]);
        });
        const worst = (list) => list.reduce((a, b) => (b[0] < a[0] ? b : a));
        return [texts.length, worst(texts), marks.length, worst(marks)];"""

    def test_texts_and_marks_stand_out_by_day_and_in_the_dark(self):
        self.look()  # skips the whole, where it has to
        grounds = set()
        for scheme in ("light", "dark"):
            with self.subTest(scheme=scheme):
                self.look(scheme=scheme)
                texts, worst_text, marks, worst_mark = self.browser.run(self.CONTRAST)
                self.assertGreater(texts, 200)
                self.assertGreater(marks, 50)
                self.assertGreaterEqual(worst_text[0], 4.5, worst_text)  # WCAG 2.2, 1.4.3
                self.assertGreaterEqual(worst_mark[0], 3, worst_mark)  # and 1.4.11
                grounds.add(self.browser.run("return getComputedStyle(document.body).backgroundColor"))
        self.assertEqual(len(grounds), 2)

    def test_the_browser_finds_names_for_all_that_can_be_reached(self):
        self.look()
        nodes = self.browser.devtools("Accessibility.getFullAXTree")["nodes"]
        reached = [it for it in nodes if not it["ignored"] and it["role"]["value"] in ("combobox", "slider", "link", "image", "img", "region", "table")]
        self.assertGreater(len(reached), 20)
        self.assertEqual([it["role"]["value"] for it in reached if not it.get("name", {}).get("value")], [])

    def test_it_prints_on_paper_with_its_charts(self):
        self.look(scheme="dark")
        paper = self.browser.paper()
        self.assertTrue(paper.startswith(b"%PDF"))
        pages = len(re.findall(rb"/Type\s*/Page\b", paper))
        self.assertTrue(3 <= pages <= 12, pages)
        self.browser.devtools("Emulation.setEmulatedMedia", media="print")
        ground, hidden = self.browser.run("""return [getComputedStyle(document.body).backgroundColor,
            [...document.querySelectorAll("nav, select, output, details")].every((it) => it.getClientRects().length === 0)];""")
        self.browser.devtools("Emulation.setEmulatedMedia", media="")
        self.assertEqual((ground, hidden), ("rgb(255, 255, 255)", True))

    def test_without_scripts_every_table_stands(self):
        self.look()
        self.browser.devtools("Emulation.setScriptExecutionDisabled", value=True)
        self.browser.open(self.page.as_uri())
        self.browser.devtools("Emulation.setScriptExecutionDisabled", value=False)
        seen = self.browser.run("""return [[...document.querySelectorAll("table")].every((it) => it.getClientRects().length > 0),
            [...document.querySelectorAll("figure")].every((it) => it.getClientRects().length === 0)];""")
        self.assertEqual(seen, [True, True])


if __name__ == "__main__":
    unittest.main()
