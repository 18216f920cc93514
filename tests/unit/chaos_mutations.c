/* The checks can fail: for each law the guard is broken on purpose, between engine and house, and the run
 * must say which law that breaks. */
#include "check.h"

#include "chaos/chaos.h"

static const double most_years = 6;
enum { SEED = 7, SEEDS = 20 };

struct held {
    struct gr_command command; /* the last one that was not follow */
    bool any;
    int turns;
};

/* The last command goes on through a fault. */
static void hold_through(struct world *world, struct gr_decision *decision, struct held *held,
                         unsigned faults)
{
    (void)world;
    if (decision->fault == GR_FAULT_NONE && decision->command.kind != GR_FOLLOW) {
        held->command = decision->command;
        held->any = true;
    }
    if (held->any && faults >> decision->fault & 1) {
        decision->command.kind = held->command.kind;
        decision->command.power_kw = held->command.power_kw;
        decision->command.target_percent = held->command.target_percent;
        decision->fault = GR_FAULT_NONE;
    }
}

static void commands_more_than_the_battery_can(struct world *world, struct gr_decision *decision,
                                               void *context)
{
    (void)world;
    (void)context;
    decision->command.power_kw *= 1.5;
}

static void charges_at_full_power_whatever_the_house_takes(struct world *world, struct gr_decision *decision,
                                                           void *context)
{
    (void)world;
    (void)context;
    decision->command.power_kw = decision->command.kind == GR_CHARGE ? 6 : decision->command.power_kw;
}

static void exports_at_full_power_whatever_is_allowed(struct world *world, struct gr_decision *decision,
                                                      void *context)
{
    (void)world;
    (void)context;
    decision->command.power_kw = decision->command.kind == GR_EXPORT ? 6 : decision->command.power_kw;
}

static void forgets_the_reserve(struct world *world, struct gr_decision *decision, void *context)
{
    (void)world;
    (void)context;
    decision->command.target_percent =
        decision->command.kind == GR_EXPORT ? 5 : decision->command.target_percent;
}

static void goes_on_without_a_state_of_charge(struct world *world, struct gr_decision *decision,
                                              void *context)
{
    hold_through(world, decision, context, 1u << GR_FAULT_STATE_OF_CHARGE | 1u << GR_FAULT_STARTING);
}

static void goes_on_without_a_link(struct world *world, struct gr_decision *decision, void *context)
{
    hold_through(world, decision, context, 1u << GR_FAULT_LINK);
}

static void goes_on_with_a_stepped_clock(struct world *world, struct gr_decision *decision, void *context)
{
    hold_through(world, decision, context, 1u << GR_FAULT_CLOCK);
}

static void goes_on_without_the_grid(struct world *world, struct gr_decision *decision, void *context)
{
    hold_through(world, decision, context, 1u << GR_FAULT_GRID_ABSENT);
}

static void goes_on_without_a_price(struct world *world, struct gr_decision *decision, void *context)
{
    hold_through(world, decision, context, 1u << GR_FAULT_RATES);
}

static void goes_on_without_powers(struct world *world, struct gr_decision *decision, void *context)
{
    hold_through(world, decision, context, 1u << GR_FAULT_POWER);
}

static void does_not_watch_the_inverter(struct world *world, struct gr_decision *decision, void *context)
{
    (void)decision;
    (void)context;
    if (world->config.safety.answer_s > 0) {
        world->config.safety.answer_s = 0;
        (void)gr_engine_reconfigure(world->engine, &world->config, world->zone, NULL);
    }
}

static void changes_its_mind_every_turn(struct world *world, struct gr_decision *decision, void *context)
{
    struct held *held = context;
    (void)world;
    if (decision->fault == GR_FAULT_NONE) {
        decision->command.kind = held->turns++ % 2 ? GR_SERVE : GR_FOLLOW;
        decision->command.power_kw = 0;
    }
}

static void never_recovers(struct world *world, struct gr_decision *decision, void *context)
{
    struct held *held = context;
    (void)world;
    held->any = held->any || decision->fault == GR_FAULT_STATE_OF_CHARGE;
    if (held->any) {
        decision->command.kind = GR_FOLLOW;
        decision->command.power_kw = 0;
        decision->fault = GR_FAULT_STATE_OF_CHARGE;
    }
}

static void does_not_renew(struct world *world, struct gr_decision *decision, void *context)
{
    (void)world;
    (void)context;
    decision->issue = decision->changed;
}

static void lets_commands_live_twice_as_long(struct world *world, struct gr_decision *decision, void *context)
{
    (void)world;
    (void)context;
    decision->command.valid_until_s += decision->command.valid_until_s - decision->command.issued_s;
}

static void begins_sequences_anew(struct world *world, struct gr_decision *decision, void *context)
{
    (void)world;
    (void)context;
    decision->command.sequence %= 100;
}

static void loses_a_tenth_of_the_load(struct world *world, struct gr_decision *decision, void *context)
{
    (void)world;
    (void)context;
    decision->record.house_kw *= 0.9;
}

static const struct {
    const char *name;
    void (*spoil)(struct world *world, struct gr_decision *decision, void *context);
    enum chaos_law law;
} mutations[] = {
    {"commands more than the battery can", commands_more_than_the_battery_can, LAW_POWER},
    {"charges at full power", charges_at_full_power_whatever_the_house_takes, LAW_IMPORT},
    {"exports at full power", exports_at_full_power_whatever_is_allowed, LAW_EXPORT},
    {"forgets the reserve", forgets_the_reserve, LAW_RESERVE},
    {"goes on without a state of charge", goes_on_without_a_state_of_charge, LAW_FRESH},
    {"goes on without a link", goes_on_without_a_link, LAW_FOLLOW},
    {"goes on with a stepped clock", goes_on_with_a_stepped_clock, LAW_FOLLOW},
    {"goes on without the grid", goes_on_without_the_grid, LAW_FOLLOW},
    {"goes on without a price", goes_on_without_a_price, LAW_FOLLOW},
    {"goes on without powers", goes_on_without_powers, LAW_FOLLOW},
    {"does not watch the inverter", does_not_watch_the_inverter, LAW_ANSWER},
    {"changes its mind every turn", changes_its_mind_every_turn, LAW_BUDGET},
    {"never recovers", never_recovers, LAW_RECOVERY},
    {"does not renew", does_not_renew, LAW_VALIDITY},
    {"lets commands live twice as long", lets_commands_live_twice_as_long, LAW_VALIDITY},
    {"begins sequences anew", begins_sequences_anew, LAW_SEQUENCE},
    {"loses a tenth of the load", loses_a_tenth_of_the_load, LAW_LEDGER},
};

static void every_law_catches_a_guard_that_breaks_it(void **state)
{
    (void)state;
    unsigned caught = 0;
    for (size_t i = 0; i < sizeof mutations / sizeof mutations[0]; i++) {
        struct chaos_report report = {.broken = -1};
        /* A guard that goes on through faults changes its mind more often too: another law may be first. */
        for (uint64_t seed = SEED; seed < SEED + SEEDS && report.broken != (int)mutations[i].law; seed++) {
            struct held held = {.any = false};
            assert_true(chaos_run(&report, most_years, seed, mutations[i].spoil, &held));
        }
        if (report.broken != (int)mutations[i].law) {
            fail_msg("\"%s\" should break law \"%s\", but in %.2f years: %s", mutations[i].name,
                     chaos_law_name(mutations[i].law), report.years,
                     report.broken < 0 ? "no law was broken" : report.text);
        }
        caught |= 1u << mutations[i].law;
    }
    assert_int_equal(caught, (1u << LAWS) - 1);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_law_catches_a_guard_that_breaks_it),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
