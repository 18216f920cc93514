"""The planner's whole model once more, as a mixed-integer programme: written from docs/planner.md, sharing no code
with the planner. `Model(problem)` builds it; `solve_highs` proves the optimum with HiGHS (scipy), `solve_file` with
CBC or GLPK through a file in LP format."""
import math
import os
import re
import subprocess
import tempfile

import numpy
from scipy import optimize, sparse

KINDS = ["follow", "store", "serve", "charge", "export", "rest"]


def curve(points, x):
    return float(numpy.interp(x, [p[0] for p in points], [p[1] for p in points]))


def logarithmic_mean(a, b):
    share = (b - a) / a
    return (a + b) / 2 if abs(share) < 1e-6 else (b - a) / math.log1p(share)


class Slot:
    """What the problem says about one slot."""

    def __init__(self, p, t):
        battery, grid = p["battery"], p["grid"]
        pick = lambda value: value[t] if isinstance(value, list) else value
        self.hours, self.load, self.solar = p["hours"][t], p["load_kw"][t], p["solar_kw"][t]
        carbon = p.get("carbon_price_per_kg", 0) * p["carbon_kg_per_kwh"][t] if "carbon_kg_per_kwh" in p else 0
        self.import_price, self.export_price = p["import_price"][t] + carbon, p["export_price"][t]
        self.import_limit, self.export_limit = pick(grid["import_limit_kw"]), pick(grid["export_limit_kw"])
        self.charge, self.discharge = pick(battery["charge_kw"]), pick(battery["discharge_kw"])
        self.curtailable, self.battery = grid["curtailable"], battery
        self.penalty = p.get("penalty_per_kwh", 10)
        self.floor = battery["floor_kwh"][t]
        self.wanted = battery["wanted_kwh"][t] if "wanted_kwh" in battery else 0
        self.wanted_price = battery.get("wanted_per_kwh", self.penalty)
        self.loss = self.hours * battery["standing_loss_kw"]
        self.top = battery["capacity_kwh"] + self.loss
        self.dc_solar = p["dc_solar_kw"][t] if "dc_solar_kw" in p else None
        short = max(0, self.load - self.solar)
        if self.dc_solar is not None:
            self.limit = p["inverter"]["limit_kw"]
            self.to_ac, self.to_dc = p["inverter"]["to_ac_efficiency"], p["inverter"]["to_dc_efficiency"]
            self.charge = min(self.charge, self.dc_solar + self.limit * self.to_dc)
            self.discharge = min(self.discharge, self.limit / self.to_ac)
            short = max(0, short / self.to_ac - self.dc_solar)
        if not pick(grid.get("may_export", True)):
            self.discharge = min(self.discharge, short)

    def stored_kw(self, power):
        if "charge_loss_points" in self.battery:
            return max(0, power - curve(self.battery["charge_loss_points"], power))
        return self.battery["charge_efficiency"] * power

    def taken_kw(self, power):
        if "discharge_loss_points" in self.battery:
            return power + curve(self.battery["discharge_loss_points"], power)
        return power / self.battery["discharge_efficiency"]

    def charge_points(self):
        """Points (power, stored kW), straight between them."""
        powers = {0, self.charge}
        if "charge_loss_points" in self.battery:
            points = self.battery["charge_loss_points"]
            powers |= {x for x, _ in points if x < self.charge}
            for (x0, l0), (x1, l1) in zip(points, points[1:] + [(points[-1][0] + 1e6, points[-1][1])]):
                if x0 - l0 < 0 <= x1 - l1:
                    idle = x0 + (x1 - x0) * (l0 - x0) / ((l0 - x0) + (x1 - l1))
                    powers |= {idle} if idle < self.charge else set()
        return [(x, self.stored_kw(x)) for x in sorted(powers)]

    def discharge_points(self):
        """Points (power, taken kW); the loss at 0 kW may be paid for nothing."""
        powers = {0, self.discharge}
        if "discharge_loss_points" in self.battery:
            powers |= {x for x, _ in self.battery["discharge_loss_points"] if x < self.discharge}
        points = [(x, self.taken_kw(x)) for x in sorted(powers)]
        if points[0][1] > 0:
            points.insert(0, (0, 0))
        return [(0, 0)] if self.discharge == 0 else points

    def rate_at(self, name, kwh, charges):
        points = self.battery[name]
        after = [i for i, (x, _) in enumerate(points) if x > kwh]
        if not after or after[0] == 0:
            power = points[-1 if not after else 0][1]
        else:
            power = logarithmic_mean(points[after[0] - 1][1], points[after[0]][1])
        return self.stored_kw(min(power, self.charge)) if charges else self.taken_kw(min(power, self.discharge))

    def reach(self, charges):
        """Points (s, lowest or highest level after the slot at full power), or None where the power is the same
        everywhere. Steps through the stretches with the time that is left."""
        name = "charge_power_points" if charges else "discharge_power_points"
        if name not in self.battery:
            return None
        edges = sorted({0.0, self.top} | {x for x, _ in self.battery[name] if 0 < x < self.top})

        def run(s, hours, up, part):
            while hours > 0:
                ahead = [e for e in edges if (e > s + 1e-13 if up else e < s - 1e-13)]
                if not ahead:
                    break
                edge = min(ahead) if up else max(ahead)
                rate = self.rate_at(name, (s + edge) / 2, part)
                if rate <= 0:
                    break
                time = abs(edge - s) / rate
                if time > hours:
                    return s + hours * rate * (1 if up else -1)
                s, hours = edge, hours - time
            return s

        # Kinks: the edges themselves, and the levels from which an edge is just reached (run the other way).
        kinks = set(edges) | {run(e, self.hours, not charges, charges) for e in edges}
        kinks = sorted(k for k in kinks if 0 <= k <= self.battery["capacity_kwh"])
        kinks = sorted(set(kinks) | {self.battery["capacity_kwh"]})
        return [(s, run(s, self.hours, charges, charges)) for s in kinks]

    def held_kw(self, kind):
        """Battery power of a command that follows the house."""
        wish = self.solar - self.load
        if self.dc_solar is not None:
            wish = min(max(wish, -self.limit), self.limit)
            wish = self.dc_solar + (wish * self.to_dc if wish > 0 else wish / self.to_ac)
        low = 0 if kind in ("store", "rest") else -self.discharge
        high = 0 if kind in ("serve", "rest") else self.charge
        return min(max(wish, low), high)


def wear_below(steps, kwh):
    """Money for coming down from kwh to 0."""
    cost = 0
    for i, (x, rate) in enumerate(steps):
        low = 0 if i == 0 else x
        high = steps[i + 1][0] if i + 1 < len(steps) else math.inf
        cost += rate * max(0, min(kwh, high) - low)
    return cost


def peak_payment(peak, peaks):
    n = peak.get("mean_of", 1)
    mean = sum(sorted(peaks, reverse=True)[:n]) / n
    above = [money for x, money in peak.get("steps", []) if mean > x]
    return peak.get("per_kw", 0) * mean + (above[-1] if above else 0)


class Model:
    def __init__(self, problem):
        self.low, self.high, self.cost, self.whole, self.rows, self.constant = [], [], [], [], [], 0.0
        self.problem = problem
        self.build()

    def variable(self, low, high, cost=0.0, whole=False):
        self.low.append(low)
        self.high.append(high)
        self.cost.append(cost)
        self.whole.append(whole)
        return len(self.low) - 1

    def binary(self, cost=0.0):
        return self.variable(0, 1, cost, True)

    def row(self, low, high, *terms):
        self.rows.append((low, high, terms))

    def on_curve(self, *points):
        """Weights of neighbouring points: the variables that add up x, y, .. are returned as lists of terms."""
        weights = [self.variable(0, 1) for _ in points]
        self.row(1, 1, *[(w, 1) for w in weights])
        if len(points) > 1:
            pieces = [self.binary() for _ in points[1:]]
            self.row(1, 1, *[(b, 1) for b in pieces])
            for i, weight in enumerate(weights):
                beside = [(pieces[k], -1) for k in (i - 1, i) if 0 <= k < len(pieces)]
                self.row(-math.inf, 0, (weight, 1), *beside)
        return [[(w, point[k]) for w, point in zip(weights, points)] for k in range(len(points[0]))]

    def build(self):
        p, battery = self.problem, self.problem["battery"]
        n, capacity = len(p["hours"]), battery["capacity_kwh"]
        self.kinds, self.discharges, self.imports = [], [], []
        stored = self.variable(battery["start_kwh"], battery["start_kwh"])
        ends = []
        for t in range(n):
            slot = Slot(p, t)
            level = self.add_slot(slot, stored)
            stored = self.add_end_of_slot(slot, level)
            ends.append(stored)
        if "full_by" in battery:
            self.add_full(ends)
        if "most_discharged_kwh" in battery:
            self.row(-math.inf, battery["most_discharged_kwh"], *self.discharges)
        if "peak" in p:
            self.add_peak()
        if "end_value_points" in p:
            points = [tuple(point) for point in p["end_value_points"]]
            points = [(0, curve(points, 0))] + [q for q in points if 0 < q[0] < capacity] + [(capacity, curve(points, capacity))]
            s, value = self.on_curve(*points) if capacity > 0 else self.on_curve(points[0])
            self.row(0, 0, (stored, -1), *s)
            for weight, worth in value:
                self.cost[weight] -= worth
        else:
            self.cost[stored] -= p["end_value_per_kwh"]

    def add_slot(self, slot, stored):
        battery, h, penalty = slot.battery, slot.hours, slot.penalty
        charges = self.binary()
        c, gain = self.on_curve(*slot.charge_points())
        d, taken = self.on_curve(*slot.discharge_points())
        self.row(-math.inf, 0, (charges, -slot.charge), *c)
        self.row(-math.inf, slot.taken_kw(slot.discharge), (charges, slot.taken_kw(slot.discharge)), *taken)
        curtail = self.variable(0, slot.solar if slot.curtailable else 0)
        most = slot.load + slot.solar + slot.charge + slot.discharge + 1
        drawn = [*c, *[(v, -k) for v, k in d]]
        if slot.dc_solar is not None:
            most += 2 * slot.limit
            drawn = self.add_inverter(slot, drawn)
        bought = self.variable(0, most, h * slot.import_price)
        sold = self.variable(0, most, -h * slot.export_price)
        imports = self.binary()
        net = slot.load - slot.solar
        self.row(net, net, (bought, 1), (sold, -1), (curtail, -1), *[(v, -k) for v, k in drawn])
        self.row(-math.inf, 0, (bought, 1), (imports, -most))
        self.row(-math.inf, most, (sold, 1), (imports, most))
        self.row(-math.inf, slot.import_limit, (bought, 1), (self.variable(0, most, h * penalty), -1))
        self.row(-math.inf, slot.export_limit, (sold, 1), (self.variable(0, most, h * penalty), -1))
        self.discharges += [(v, h * k) for v, k in d]
        self.imports.append((bought, most))
        for variable, power in d:
            self.cost[variable] += h * battery["wear_per_kwh"] * power
        level = self.variable(0, slot.top)
        self.row(0, 0, (level, 1), (stored, -1), *[(v, -h * k) for v, k in gain], *[(v, h * k) for v, k in taken])
        limits = self.add_reach(slot, stored, level)
        if "wear_steps" in battery:
            self.add_wear(slot, stored, level)
        if p_cost := self.problem.get("change_cost", 0):
            self.add_command(slot, stored, level, charges, c, taken, limits, p_cost)
        return level

    def add_inverter(self, slot, taken):
        """AC power that the inverter draws, where the battery takes `taken` on the DC side."""
        draws, held = self.binary(), self.variable(0, slot.dc_solar)
        drawn, given = self.variable(0, slot.limit), self.variable(0, slot.limit)
        self.row(-math.inf, 0, (drawn, 1), (draws, -slot.limit))
        self.row(-math.inf, slot.limit, (given, 1), (draws, slot.limit))
        self.row(slot.dc_solar, slot.dc_solar, (held, 1), *taken, (drawn, -slot.to_dc), (given, 1 / slot.to_ac))
        if not slot.curtailable:
            clips = self.binary()
            self.row(-math.inf, 0, (held, 1), (clips, -slot.dc_solar))
            self.row(0, math.inf, (given, 1), (clips, -slot.limit))
        return [(drawn, 1), (given, -1)]

    def add_reach(self, slot, stored, level):
        """The level's limits as lists of terms, by what is stored."""
        limits = {}
        for charges in (True, False):
            points = slot.reach(charges)
            if points is None:
                continue
            s, end = self.on_curve(*points)
            self.row(0, 0, (stored, -1), *s)
            limits[charges] = end
            bound = (0, math.inf) if charges else (-math.inf, 0)
            self.row(*bound, (level, -1), *end)
        return limits

    def add_wear(self, slot, stored, level):
        steps = slot.battery["wear_steps"]
        points = sorted({0.0, slot.top} | {x for x, _ in steps if 0 < x < slot.top})
        points = [(x, wear_below(steps, x)) for x in points]
        s, before = self.on_curve(*points)
        y, after = self.on_curve(*points)
        self.row(0, 0, (stored, -1), *s)
        self.row(0, 0, (level, -1), *y)
        worn = self.variable(0, math.inf, 1)
        self.row(0, math.inf, (worn, 1), *[(v, -k) for v, k in before], *after)

    def add_command(self, slot, stored, level, charges, c, taken, limits, change_cost):
        kinds = [self.binary() for _ in KINDS]
        self.row(1, 1, *[(k, 1) for k in kinds])
        before = self.kinds[-1] if self.kinds else None
        changed = self.variable(0, 1, change_cost)
        for i, kind in enumerate(kinds):
            first = 1 if KINDS[i] == self.problem.get("first_command", "follow") else 0
            if before:
                self.row(0, math.inf, (changed, 1), (kind, -1), (before[i], 1))
            else:
                self.row(-first, math.inf, (changed, 1), (kind, -1))
        self.kinds.append(kinds)
        most_c, most_d = slot.charge, slot.taken_kw(slot.discharge)
        for i, name in enumerate(KINDS):
            if name == "charge":
                self.row(-math.inf, most_d, (kinds[i], most_d), *taken)
            elif name == "export":
                self.row(-math.inf, most_c, (kinds[i], most_c), *c)
            else:
                self.add_held(slot, name, kinds[i], stored, level, c, taken, limits)

    def add_held(self, slot, name, kind, stored, level, c, taken, limits):
        """Level = what the power brings about, or as far as it can be reached."""
        power = slot.held_kw(name)
        change = slot.hours * (slot.stored_kw(power) if power >= 0 else -slot.taken_kw(-power))
        big = 4 * slot.top + abs(change) + 1
        up = change > 0
        if change <= 0:
            self.row(-math.inf, slot.charge, (kind, slot.charge), *c)
        if change >= 0:
            most = slot.taken_kw(slot.discharge)
            self.row(-math.inf, most, (kind, most), *taken)
        ends = [([(stored, 1)], change), ([], slot.top if up else 0)]
        if up and True in limits:
            ends.append((limits[True], 0))
        if not up and False in limits:
            ends.append((limits[False], 0))
        reached = [self.binary() for _ in ends]
        self.row(1, math.inf, *[(b, 1) for b in reached])
        sign = 1 if up else -1
        for (terms, constant), binary in zip(ends, reached):
            apart = [(level, sign)] + [(v, -sign * k) for v, k in terms]
            # Never beyond any of the ends, and at one of them.
            self.row(-math.inf, sign * constant + big, (kind, big), *apart)
            self.row(sign * constant - 2 * big, math.inf, (kind, -big), (binary, -big), *apart)

    def add_end_of_slot(self, slot, level):
        capacity, room = slot.battery["capacity_kwh"], slot.top
        end, keeps = self.variable(0, capacity), self.binary()
        self.row(-slot.loss, math.inf, (end, 1), (level, -1))
        self.row(-math.inf, room - slot.loss, (end, 1), (level, -1), (keeps, room))
        self.row(-math.inf, 0, (end, 1), (keeps, -room))
        self.row(slot.floor, math.inf, (end, 1), (self.variable(0, capacity, slot.penalty), 1))
        self.row(slot.wanted, math.inf, (end, 1), (self.variable(0, capacity, slot.wanted_price), 1))
        return end

    def add_full(self, ends):
        battery, first = self.problem["battery"], 0
        full, penalty = battery.get("full_kwh", battery["capacity_kwh"]), self.problem.get("penalty_per_kwh", 10)
        for last in battery["full_by"]:
            moments = [self.binary() for _ in range(first, last + 1)]
            self.row(1, 1, *[(m, 1) for m in moments])
            for moment, end in zip(moments, ends[first:last + 1]):
                missing = self.variable(0, full, penalty)
                self.row(0, math.inf, (missing, 1), (end, 1), (moment, -full))
            first = last + 1

    def add_peak(self):
        """Highest daily imports chosen by whole variables, the seen ones as constants."""
        peak = self.problem["peak"]
        days = peak.get("day", [0] * len(self.imports))
        most = max(m for _, m in self.imports)
        highest = [self.variable(0, most) for _ in range(max(days) + 1)]
        for day, (bought, _) in zip(days, self.imports):
            self.row(0, math.inf, (highest[day], 1), (bought, -1))
        # Sum of the n highest = least over q of n q + the sum of what exceeds q.
        n, seen = peak.get("mean_of", 1), peak.get("seen_kw", [])
        level = self.variable(0, math.inf)
        exceeding = []
        for low, terms in [(0, [(day, -1)]) for day in highest] + [(kw, []) for kw in seen]:
            over = self.variable(0, math.inf)
            exceeding.append((over, 1 / n))
            self.row(low, math.inf, (over, 1), (level, 1), *terms)
        mean = self.variable(0, math.inf, peak.get("per_kw", 0))
        self.row(0, 0, (mean, -1), (level, 1), *exceeding)
        self.constant -= peak_payment(peak, seen)
        steps = peak.get("steps", [])
        for (x, money), paid in zip(steps, [0] + [m for _, m in steps]):
            above = self.binary(money - paid)
            self.row(-math.inf, x, (mean, 1), (above, -2 * most - 2 * sum(seen)))

    # ---- solving ----

    def matrix(self):
        data, rows, columns = [], [], []
        for i, (_, _, terms) in enumerate(self.rows):
            for variable, factor in terms:
                data.append(factor)
                rows.append(i)
                columns.append(variable)
        return sparse.csr_array((data, (rows, columns)), shape=(len(self.rows), len(self.low)))

    def solve_highs(self, limit_s=60.0, most_nodes=None):
        """(optimum, proven, lower bound): branch and bound, then the linear programme with the whole variables
        held, at the tightest tolerance there is."""
        matrix = self.matrix()
        low, high = numpy.array([r[0] for r in self.rows]), numpy.array([r[1] for r in self.rows])
        found = optimize.milp(self.cost, integrality=numpy.array(self.whole, dtype=int),
                              bounds=optimize.Bounds(self.low, self.high),
                              constraints=optimize.LinearConstraint(matrix, low, high),
                              options={"time_limit": limit_s, "mip_rel_gap": 0.0} | ({"node_limit": most_nodes} if most_nodes else {}))
        if found.x is None:
            return None, False, -math.inf
        held = [(round(x), round(x)) if whole else (a, b)
                for x, whole, a, b in zip(found.x, self.whole, self.low, self.high)]
        is_equal = low == high
        upper = sparse.vstack([matrix[~is_equal], -matrix[~is_equal]])
        limits = numpy.concatenate([high[~is_equal], -low[~is_equal]])
        bounded = numpy.isfinite(limits)
        exact = optimize.linprog(self.cost, A_ub=upper.tocsr()[bounded], b_ub=limits[bounded], A_eq=matrix[is_equal],
                                 b_eq=low[is_equal], bounds=held, method="highs",
                                 options={"primal_feasibility_tolerance": 1e-10,
                                          "dual_feasibility_tolerance": 1e-10})
        value = exact.fun if exact.status == 0 else found.fun
        return value + self.constant, found.status == 0, found.mip_dual_bound + self.constant

    def write_lp(self, path):
        def term(variable, factor):
            return f"{'+' if factor >= 0 else '-'} {abs(factor):.17g} x{variable}"

        with open(path, "w", encoding="ascii") as out:
            out.write("Minimize\n cost: " + "\n ".join(term(i, c) for i, c in enumerate(self.cost) if c) + "\nSubject To\n")
            for low, high, terms in self.rows:
                merged = {}
                for variable, factor in terms:
                    merged[variable] = merged.get(variable, 0) + factor
                left = "\n ".join(term(v, f) for v, f in merged.items())
                for bound, sign in ((low, ">="), (high, "<=")):
                    if low == high:
                        sign = "="
                    if math.isfinite(bound):
                        out.write(f" {left} {sign} {bound:.17g}\n")
                    if low == high:
                        break
            out.write("Bounds\n")
            for i, (low, high) in enumerate(zip(self.low, self.high)):
                out.write(f" {low:.17g} <= x{i} <= {high:.17g}\n" if math.isfinite(high) else f" x{i} >= {low:.17g}\n")
            out.write("Generals\n " + "\n ".join(f"x{i}" for i, whole in enumerate(self.whole) if whole) + "\nEnd\n")

    def solve_file(self, solver, limit_s=60.0):
        """(best found or None, proven) by `cbc` or `glpsol`."""
        with tempfile.TemporaryDirectory() as folder:
            path, result = os.path.join(folder, "p.lp"), os.path.join(folder, "result")
            self.write_lp(path)
            if solver == "cbc":
                subprocess.run(["cbc", path, "sec", str(limit_s), "ratio", "0", "allow", "0", "primalT", "1e-9",
                                "integerT", "1e-9", "solve", "solu", result],
                               stdout=subprocess.DEVNULL, check=False, timeout=4 * limit_s + 60)
                text = open(result, encoding="ascii").read() if os.path.exists(result) else ""
                found = re.match(r"(.*) - objective value\s+(\S+)", text)
                if not found or "nfeasible" in found.group(1):
                    return None, False
                # The objective is printed with few digits: add it up again.
                values = {int(m[1]): float(m[2]) for m in re.finditer(r"^\s*(?:\*\*)?\s*\d+ x(\d+)\s+(\S+)", text, re.M)}
                cost = sum(self.cost[i] * x for i, x in values.items()) + self.constant
                return cost, found.group(1).startswith("Optimal")
            subprocess.run(["glpsol", "--lp", path, "--tmlim", str(int(limit_s)), "--mipgap", "0", "-w", result],
                           stdout=subprocess.DEVNULL, check=False, timeout=4 * limit_s + 60)
            text = open(result, encoding="ascii").read() if os.path.exists(result) else ""
            found = re.search(r"^s mip \d+ \d+ (\S) (\S+)", text, re.M)
            if not found or found.group(1) not in "of":
                return None, False
            return float(found.group(2)) + self.constant, found.group(1) == "o"
