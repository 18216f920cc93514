#!/usr/bin/env python3
"""Random problems with everything a problem may say, through `granary solve`, against a mixed-integer programme
(planner_model.py) proven by HiGHS (scipy). Each plan is also carried out once more by other code. By hand:

    test_planner_whole.py [--problems N] [--seed S] [--slots N] [--solver highs|cbc|glpsol] [--limit S] [--nodes N]
                           [--keep FOLDER]
"""
import argparse
import json
import math
import os
import random
import subprocess
import sys

sys.dont_write_bytecode = True
import numpy
from planner_model import KINDS, Model, Slot, peak_payment, wear_below

# Problems that were once planned wrongly, as seed and number, tried in every run: an unnoticed bend, a step climbed by a
# rounding error, a penalty for a rounding error in the cost, no capacity, cycles with power that tapers, peaks of two days.
ONCE_WRONG = [(9102, 89), (9602, 121), (9601, 190), (1, 742), (1, 334), (1, 414), (1, 505)]

GRANARY = os.path.join(os.environ.get("GRANARY_BUILD", "build"), "granary")


def rounded(r, low, high, step):
    return round(round(r.uniform(low, high) / step) * step, 10)


def draw_battery(r, n):
    capacity = r.choice([0, r.uniform(0.02, 0.5), r.uniform(2, 14), r.uniform(2, 14), r.uniform(2, 14)])
    power = lambda: [rounded(r, 0, 6, 0.5) for _ in range(n)] if r.random() < 0.2 else rounded(r, 1, 6, 0.5)
    battery = {"capacity_kwh": capacity, "floor_kwh": [r.choice([0, 0.1, 0.3]) * capacity] * n,
               "start_kwh": r.choice([0, 1, r.random()]) * capacity, "charge_kw": power(), "discharge_kw": power(),
               "charge_efficiency": r.choice([1, r.uniform(0.7, 1)]),
               "discharge_efficiency": r.choice([1, r.uniform(0.7, 1)]),
               "standing_loss_kw": r.choice([0, 0, r.uniform(0, 0.2)]), "wear_per_kwh": r.choice([0, 0, r.uniform(0, 0.05)])}
    if r.random() < 0.3:
        battery["wanted_kwh"] = [r.choice([0, 0, r.random()]) * capacity for _ in range(n)]
        battery["wanted_per_kwh"] = r.uniform(0, 0.4)
    return battery


def draw_curves(r, battery, has_commands):
    capacity = battery["capacity_kwh"]
    if r.random() < 0.4:
        battery["charge_power_points"] = [[0.5 * capacity, 5], [0.8 * capacity + 1e-3, rounded(r, 1, 4, 0.5)],
                                          [capacity + 2e-3, rounded(r, 0.5, 1, 0.1)]]
    if r.random() < 0.3:
        battery["discharge_power_points"] = [[0, rounded(r, 0.5, 2, 0.5)], [0.3 * capacity + 1e-3, rounded(r, 2, 5, 0.5)]]
    # What a command that follows the house does below the loss at 0 kW is not said in terms of energy.
    still = 0 if has_commands else r.choice([0, 0.05, 0.1])
    if r.random() < 0.4:
        battery["charge_loss_points"] = [[0, still], [1, still + 0.05], [6, still + r.choice([0.2, 0.6, 0.9])]]
    if r.random() < 0.4:
        battery["discharge_loss_points"] = [[0, still], [0.5, still + r.choice([0.01, 0.1])], [6, still + 0.4]]
    if r.random() < 0.3:
        battery["wear_steps"] = [[0, r.uniform(0, 0.1)], [0.25 * capacity + 1e-3, r.uniform(0, 0.06)],
                                 [0.6 * capacity + 2e-3, r.uniform(0, 0.03)]]


def draw_peak(r, n):
    peak = {"seen_kw": [rounded(r, 0, 4, 0.1) for _ in range(r.choice([0, 2]))], "mean_of": r.choice([1, 1, 2])}
    if r.random() < 0.6:
        peak["per_kw"] = r.uniform(0.05, 1)
    else:
        peak["steps"] = [[1, 0.1], [2, 0.3], [3.5, r.uniform(0.3, 1)]]
    if n > 1 and r.random() < 0.5:
        peak["day"] = [0] * (n // 2) + [1] * (n - n // 2)
    return peak


def draw_problem(r, slots):
    n = r.randint(1, slots)
    wild, generous = r.random() < 0.4, r.random() < 0.3
    prices = [rounded(r, -0.2 if wild else 0.05, 0.45, 0.01) for _ in range(n)]
    if r.random() < 0.1:
        prices = [prices[0]] * n
    hours = [r.choice([0.5, 1, 0.25, 1e-4, r.uniform(0.1, 1.5)]) for _ in range(n)] if r.random() < 0.3 else [0.5] * n
    limit = lambda high: [rounded(r, 0, high, 0.5) for _ in range(n)] if r.random() < 0.2 else rounded(r, 0, high, 0.5)
    has_commands = r.random() < 0.3
    battery = draw_battery(r, n)
    draw_curves(r, battery, has_commands)
    problem = {"hours": hours, "load_kw": [rounded(r, 0, r.choice([2, 2, 9]), 0.1) for _ in range(n)],
               "solar_kw": [r.choice([0, rounded(r, 0, 6, 0.1)]) for _ in range(n)], "import_price": prices,
               "export_price": [p + (r.uniform(-0.2, 0.3) if generous else -r.uniform(0, 0.2)) for p in prices],
               "battery": battery,
               "grid": {"import_limit_kw": limit(8) if r.random() < 0.5 else 20,
                        "export_limit_kw": limit(5) if r.random() < 0.5 else 20, "curtailable": r.random() < 0.5},
               "end_value_per_kwh": r.choice([0, r.uniform(0, 0.3)])}
    if r.random() < 0.3:
        problem["grid"]["may_export"] = [r.random() < 0.5 for _ in range(n)]
    if r.random() < 0.2:
        problem |= {"carbon_kg_per_kwh": [r.uniform(0, 0.6) for _ in range(n)], "carbon_price_per_kg": 0.2}
    if r.random() < 0.25:
        problem["dc_solar_kw"] = [r.choice([0, rounded(r, 0, 7, 0.1)]) for _ in range(n)]
        problem["inverter"] = {"limit_kw": rounded(r, 0, 5, 0.5), "to_ac_efficiency": r.choice([1, 0.96]),
                               "to_dc_efficiency": r.choice([1, 0.95])}
    if has_commands:
        problem |= {"change_cost": r.choice([0.01, 0.05, 0.3]), "first_command": r.choice(KINDS)}
    if r.random() < 0.2:
        problem["peak"] = draw_peak(r, n)
    if r.random() < 0.15:
        battery["most_discharged_kwh"] = r.uniform(0, 3)
    if r.random() < 0.3:
        battery["full_by"] = sorted(r.sample(range(n), min(n, r.choice([1, 1, 2]))))
        battery["full_kwh"] = r.choice([1, 0.9]) * battery["capacity_kwh"]
        problem["penalty_per_kwh"] = r.choice([10, 0.2, 0.05])
    return problem


# ---- carried out once more ----

def check_inverter(slot, power, held, grid, rule):
    """Of what is held back, some amount on the DC side explains the grid power, and the rest lies on the AC side."""
    slack = 1e-9
    clipped = max(0, slot.dc_solar - power - slot.limit / slot.to_ac)
    most = slot.dc_solar if slot.curtailable else clipped
    rule(held <= (slot.solar if slot.curtailable else 0) + most + slack, "solar held back as far as there is")

    def grid_at(dc_held):
        net = power - slot.dc_solar + dc_held
        ac = net / slot.to_dc if net > 0 else net * slot.to_ac
        rule(abs(ac) <= slot.limit + slack, "the inverter's limit")
        return slot.load - slot.solar + ac + held - dc_held

    ends = [max(clipped, held - (slot.solar if slot.curtailable else 0)), min(most, held, slot.dc_solar - power + slot.limit * slot.to_dc)]
    bend = min(max(slot.dc_solar - power, ends[0]), ends[1])
    grids = [grid_at(x) for x in (*ends, bend)]
    rule(min(grids) - slack <= grid <= max(grids) + slack, "grid power follows from the powers")


def carry_out(problem, plan):
    """What the plan costs; raises where it breaks a rule."""
    battery, cost, stored = problem["battery"], 0, problem["battery"]["start_kwh"]
    before = problem.get("first_command", "follow")
    shortfalls = []

    def rule(holds, words):
        if not holds:
            raise AssertionError(f"slot {t} breaks: {words}")

    for t in range(len(problem["hours"])):
        slot, slack = Slot(problem, t), 1e-9
        c, d, w, end = (plan[name][t] for name in ("charge_kw", "discharge_kw", "curtail_kw", "stored_kwh"))
        rule(-slack <= c <= slot.charge + slack and -slack <= d <= slot.discharge + slack, "powers within the limits")
        rule(not (c > 0 and d > 0), "never both at once")
        g = plan["grid_kw"][t]
        if slot.dc_solar is None:
            rule(0 <= w <= (slot.solar if slot.curtailable else 0) + slack, "solar held back as far as there is")
            rule(abs(g - (slot.load - slot.solar + w + c - d)) < slack, "grid power follows from the powers")
        else:
            check_inverter(slot, c - d, w, g, rule)
        level = stored + slot.hours * (slot.stored_kw(c) - (slot.taken_kw(d) if d > 0 else 0))
        least = level - slot.hours * (slot.taken_kw(0) if d == 0 and slot.discharge > 0 else 0)
        rule(level >= -slack and level <= slot.top + slack, "no more taken than there is, no more stored than fits")
        after = lambda y: max(0, y - slot.loss)
        rule(after(least) - slack <= end <= after(level) + slack, "stored energy follows from the powers")
        for charges in (True, False):
            points = slot.reach(charges)
            if points:
                reach = numpy.interp(stored, [x for x, _ in points], [y for _, y in points])
                rule(level <= reach + slack if charges else level >= min(stored, reach) - slack, "power by level")
        cost += slot.hours * (slot.import_price * max(g, 0) - slot.export_price * max(-g, 0))
        cost += slot.hours * battery["wear_per_kwh"] * d
        cost += slot.penalty * slot.hours * (max(0, g - slot.import_limit) + max(0, -g - slot.export_limit))
        cost += slot.penalty * max(0, slot.floor - end) + slot.wanted_price * max(0, slot.wanted - end)
        if "wear_steps" in battery:
            # At 0 kW a plan may take what the discharging inverter loses, and that wears as well.
            left = level if d > 0 else min(level, max(least, end + slot.loss))
            worn = wear_below(battery["wear_steps"], stored) - wear_below(battery["wear_steps"], left)
            cost += max(0, worn)
        if "change_cost" in problem:
            kind = plan["command"][t]
            cost += problem["change_cost"] if kind != before else 0
            rule(kind != "charge" or d == 0, "charge does not discharge")
            rule(kind != "export" or c == 0, "export does not charge")
            held = slot.held_kw(kind) if kind not in ("charge", "export") else None
            rule(held is None or abs(c - d) <= abs(held) + slack and (c - d) * held >= 0, "the command gives the power")
            before = kind
        shortfalls.append(max(0, battery.get("full_kwh", 0) - end))
        stored = end
    first = 0
    for last in battery.get("full_by", []):
        cost += problem.get("penalty_per_kwh", 10) * min(shortfalls[first:last + 1])
        first = last + 1
    if "peak" in problem:
        day = problem["peak"].get("day", [0] * len(plan["grid_kw"]))
        highest = [max(0, *(g for g, own in zip(plan["grid_kw"], day) if own == d)) for d in range(max(day) + 1)]
        seen = problem["peak"]["seen_kw"]
        added = peak_payment(problem["peak"], seen + highest) - peak_payment(problem["peak"], seen)
        assert abs(added - plan["peak_cost"]) < 1e-9, f"the peak costs {added}, the plan says {plan['peak_cost']}"
        cost += added
    if "most_discharged_kwh" in battery:
        given = sum(h * d for h, d in zip(problem["hours"], plan["discharge_kw"]))
        assert given <= battery["most_discharged_kwh"] + 1e-8, f"{given} kWh are discharged"
    return cost - problem["end_value_per_kwh"] * stored


def run_granary(problem, *options):
    run = subprocess.run([GRANARY, "solve", *options, "-"], input=json.dumps(problem), capture_output=True, text=True,
                         check=False)
    if run.returncode != 0:
        raise AssertionError(f"exit status {run.returncode}: {run.stderr.strip()}")
    return json.loads(run.stdout)


def check(problem, solver, limit_s, most_nodes):
    """Relative gap between the plan and the proven optimum, None where it is not proven; the plan; and whether it says
    itself that more may be open than rounding."""
    plan = run_granary(problem)
    cost = carry_out(problem, plan)
    scale = max(1, abs(cost))
    assert abs(cost - plan["cost"]) < 1e-9 * scale, f"the plan says {plan['cost']}, carried out it costs {cost}"
    # The searches below a bound on energy, and for limits on several days' peaks, end after so much work. What they leave
    # open is said by the bound, which is then held to the optimum, below.
    is_searched = "most_discharged_kwh" in problem["battery"] or problem.get("peak", {}).get("mean_of", 1) > 1
    is_open = plan["error_up"] + plan["error_down"] > (1e-8 if "peak" in problem else 1e-9) * scale
    assert not is_open or is_searched, f"bound {plan['error_down']}"
    model = Model(problem)
    optimum, proven = model.solve_highs(limit_s, most_nodes)[:2] if solver == "highs" else model.solve_file(solver, limit_s)
    if proven and plan["cost"] < optimum - 1e-9 * scale and solver == "highs":
        # Carried out, the plan is better than what HiGHS found, whose whole numbers are whole to 1e-6 only.
        optimum, proven = model.solve_file("glpsol", limit_s)
    if proven and is_open:
        assert optimum >= plan["cost"] - plan["error_down"] - 1e-7 * scale, f"{optimum} lies below the bound"
        return min(0, (plan["cost"] - optimum) / scale), plan, True
    return ((plan["cost"] - optimum) / scale if proven else None), plan, is_open


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--problems", type=int, default=100)
    parser.add_argument("--seed", type=int, default=int(os.environ.get("GRANARY_TEST_SEED", "1")))
    parser.add_argument("--slots", type=int, default=6)
    parser.add_argument("--solver", default="highs")
    parser.add_argument("--limit", type=float, default=60.0, help="seconds for each problem")
    # What is proven must not depend on how busy the machine is: nodes bind long before seconds do.
    parser.add_argument("--nodes", type=int, default=2000, help="of HiGHS, for each problem")
    parser.add_argument("--keep")
    options = parser.parse_args()
    print(f"seed {options.seed} (GRANARY_TEST_SEED or --seed sets another)")
    gaps, points, unproven, opened, failed = [0], [], 0, 0, 0
    drawn = ONCE_WRONG + [(options.seed, i) for i in range(options.problems)]
    for seed, i in drawn:
        problem = draw_problem(random.Random(seed * 1000003 + i), options.slots)
        try:
            gap, plan, is_open = check(problem, options.solver, options.limit, options.nodes)
            points.append(plan["most_points"])
            unproven += gap is None
            opened += is_open
            gaps.append(gap or 0)
            # A plan that was carried out and costs less than the solver's says how exact the solver is.
            assert gap is None or -1e-6 < gap < 1e-9, f"the plan costs {plan['cost']}, {gap:.2e} from the optimum"
        except AssertionError as why:
            failed += 1
            print(f"seed {seed}, problem {i}: {why}")
            if options.keep:
                os.makedirs(options.keep, exist_ok=True)
                with open(os.path.join(options.keep, f"{seed}-{i}.json"), "w", encoding="ascii") as out:
                    json.dump(problem, out)
    print(f"{len(drawn)} problems, {unproven} not proven, {opened} left open by the planner; the plan is at most {max(gaps):.1e} dearer than the "
          f"optimum found, and {-min(gaps):.1e} cheaper; most points: median {sorted(points)[len(points) // 2]}, "
          f"greatest {max(points)}")
    sys.exit(1 if failed or unproven > len(drawn) // 20 or opened > len(drawn) // 50 else 0)


if __name__ == "__main__":
    main()
