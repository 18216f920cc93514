/* The words for a choice: worked out by hand, and held against the choice itself on random problems. */
#include "check.h"

#include "reference/planner_problem.h"

#include "granary/why.h"

enum { SAMPLES = 3, POINTS = 6, PROBLEMS = 4000 };

/* A slot with what may happen in it and what follows. Not to be copied: the outlook points into it. */
struct moment {
    struct gr_outlook outlook;
    double house_kw[SAMPLES], car_kw[SAMPLES], solar_kw[SAMPLES], weight[SAMPLES];
    double kwh[POINTS], value[POINTS];
    struct gr_value next;
    struct gr_why_marks marks;
    struct gr_choice choice;
    struct gr_why why;
    struct gr_zone *zone;
    char text[GR_REASON_SIZE];
};

static const int64_t six_s = 1773165600; /* 2026-03-10T18:00:00Z */

static void tie(struct moment *moment, size_t samples, size_t points)
{
    moment->next = (struct gr_value){points, moment->kwh, moment->value};
    moment->outlook.samples = samples;
    moment->outlook.house_kw = moment->house_kw;
    moment->outlook.car_kw = moment->car_kw;
    moment->outlook.solar_kw = moment->solar_kw;
    moment->outlook.weight = moment->weight;
    moment->outlook.next = &moment->next;
}

/* Half an hour before 18:00; a 10 kWh, 5 kW battery with 5 kWh in it, 0.9 one way and 0.9 the other; import
 * 0.30, export 0.10; each stored kWh worth `worth` later; the house takes 2 kW. */
static void make_moment(struct moment *moment, double worth)
{
    memset(moment, 0, sizeof *moment);
    moment->house_kw[0] = 2;
    moment->weight[0] = 1;
    moment->kwh[1] = 10;
    moment->value[1] = -10 * worth;
    moment->outlook = (struct gr_outlook){.hours = 0.5,
                                          .import_price = 0.30,
                                          .export_price = 0.10,
                                          .stored_kwh = 5,
                                          .battery = {10, 5, 5, 0.9, 0.9, 0, 0},
                                          .import_limit_kw = 20,
                                          .export_limit_kw = 20,
                                          .penalty_per_kwh = 10,
                                          .may_export = true};
    moment->marks.dearest_per_kwh = 0.5;
    tie(moment, 1, 2);
    assert_int_equal(gr_zone_fixed(&moment->zone, "UTC", 0, NULL), GR_OK);
}

static void decide(struct moment *moment)
{
    struct gr_error error = {""};
    if (gr_live_choose(&moment->choice, &moment->outlook, &error) != GR_OK) {
        fail_msg("%s", error.text);
    }
}

static void weigh(struct moment *moment)
{
    gr_why_weigh(&moment->why, &moment->outlook, &moment->choice, &moment->marks);
    moment->why.start_s = six_s - 1800;
    moment->why.end_s = six_s;
    moment->why.ready_cost = moment->outlook.ready_for * moment->outlook.hours;
}

static void tell(struct moment *moment)
{
    gr_why_text(moment->text, &moment->why, moment->zone);
}

static void assert_told(struct moment *moment, const char *words)
{
    tell(moment);
    if (strcmp(moment->text, words) != 0) {
        fail_msg("\"%s\", expected \"%s\"", moment->text, words);
    }
    gr_zone_free(moment->zone);
}

/* ---- by hand ---- */

/* 5 kW for half an hour: 2.5 kWh, of which 0.9 * 0.214 - 0.082 = 0.1106 is won each. Not charging, the best
 * is to keep what there is: 2.5 * 0.1106 = 0.2765. */
static void charging_tells_the_worth_of_a_stored_kwh_after_losses_and_what_importing_costs(void **state)
{
    (void)state;
    struct moment moment;
    make_moment(&moment, 0.214);
    moment.outlook.import_price = 0.082;
    moment.outlook.export_price = 0.05;
    decide(&moment);
    weigh(&moment);
    assert_told(&moment, "a stored kWh is worth 0.2140 at 18:00, 0.1926 after losses; importing now costs "
                         "0.0820: charge; store would cost 0.2765 more");
}

/* A kWh given takes 1 / 0.9 stored kWh at 0.09 and 0.02 of wear: 0.12. Keeping costs 1 kWh * (0.30 - 0.12).
 */
static void following_at_a_dear_time_tells_wear_and_losses_of_a_kwh_given(void **state)
{
    (void)state;
    struct moment moment;
    make_moment(&moment, 0.09);
    moment.outlook.battery.wear_per_kwh = 0.02;
    moment.outlook.may_export = false;
    decide(&moment);
    weigh(&moment);
    assert_told(&moment, "a stored kWh is worth 0.0900 at 18:00, 0.1200 after losses and 0.0200 of wear; "
                         "importing now costs 0.3000: follow; store would cost 0.1800 more");
}

/* The same with 0.05 more for the bound on cycles, which is no wear. */
static void a_bound_on_cycles_is_told_beside_the_wear(void **state)
{
    (void)state;
    struct moment moment;
    make_moment(&moment, 0.09);
    moment.outlook.battery.wear_per_kwh = 0.07;
    moment.outlook.may_export = false;
    moment.marks.cycle_price = 0.05;
    decide(&moment);
    weigh(&moment);
    assert_told(&moment,
                "a stored kWh is worth 0.0900 at 18:00, 0.1700 after losses, 0.0200 of wear and 0.0500 for "
                "the bound on cycles; importing now costs 0.3000: follow; store would cost 0.1300 more");
}

/* The evening's kWh in the same house, with 0.03 for its carbon in the price: money and carbon are told
 * apart, and both are saved. Keeping costs 1 kWh * (0.27 + 0.03 - 0.12). */
static void carbon_is_told_beside_the_money_of_a_kwh_bought(void **state)
{
    (void)state;
    struct moment moment;
    make_moment(&moment, 0.09);
    moment.outlook.battery.wear_per_kwh = 0.02;
    moment.outlook.may_export = false;
    moment.marks.carbon_price = 0.03;
    decide(&moment);
    weigh(&moment);
    assert_near(moment.why.of[GR_STORE].meter_cost, 0.27, 1e-12);
    assert_near(moment.why.of[GR_STORE].carbon_cost, 0.03, 1e-12);
    assert_told(&moment,
                "a stored kWh is worth 0.0900 at 18:00, 0.1200 after losses and 0.0200 of wear; "
                "importing now costs 0.2700 and 0.0300 for its carbon: follow; store would cost 0.1800 more");
}

/* 4 kW of sun, 2 kW left over: stored, a kWh is worth 0.9 * 0.20. */
static void storing_the_surplus_tells_what_exporting_it_would_pay(void **state)
{
    (void)state;
    struct moment moment;
    make_moment(&moment, 0.20);
    moment.solar_kw[0] = 4;
    decide(&moment);
    weigh(&moment);
    assert_told(&moment, "a stored kWh is worth 0.2000 at 18:00, 0.1800 after losses; exporting now pays "
                         "0.1000: follow; serve would cost 0.0800 more");
}

/* 3 kW of room under the limit: 1.5 kWh. */
static void a_charge_that_the_import_limit_cuts_says_so(void **state)
{
    (void)state;
    struct moment moment;
    make_moment(&moment, 0.40);
    moment.outlook.import_price = 0.10;
    moment.outlook.import_limit_kw = 5;
    decide(&moment);
    weigh(&moment);
    assert_near(moment.why.power_kw, 3, 1e-9);
    tell(&moment);
    assert_says(moment.text, "; the power is what the import limit of 5.00 kW leaves");
    gr_zone_free(moment.zone);
}

static void an_export_that_the_export_limit_cuts_says_so(void **state)
{
    (void)state;
    struct moment moment;
    make_moment(&moment, 0.02);
    moment.outlook.export_limit_kw = 1;
    decide(&moment);
    weigh(&moment);
    assert_int_equal(moment.why.kind, GR_EXPORT);
    tell(&moment);
    assert_says(moment.text, "; the power is what the export limit of 1.00 kW leaves");
    gr_zone_free(moment.zone);
}

/* Below 3 kWh stored each kWh is worth 5: nothing but a limit can be worth so much. The sun is gone, so only
 * charging gets there. */
static void what_has_to_be_kept_is_named_where_no_price_could_be_worth_it(void **state)
{
    (void)state;
    struct moment moment;
    make_moment(&moment, 0);
    moment.outlook.stored_kwh = 2;
    moment.kwh[1] = 3;
    moment.kwh[2] = 10;
    moment.value[1] = moment.value[2] = -15;
    moment.outlook.floor_kwh = 2;
    tie(&moment, 1, 3);
    decide(&moment);
    weigh(&moment);
    moment.why.kept = (struct gr_kept){.kind = GR_KEPT_WISH, .percent = 30, .until_s = six_s + 7200};
    assert_told(&moment, "follow would not keep the wish for 30 % at 20:00: charge");
}

static void each_keeper_has_its_own_words(void **state)
{
    (void)state;
    static const struct {
        enum gr_kept_kind kind;
        const char *words;
    } rows[] = {{GR_KEPT_FLOOR, "; down to the floor of 20 %"},
                {GR_KEPT_RESERVE, "; down to the reserve of 20 %"},
                {GR_KEPT_ASKED, "; down to the reserve of 20 % asked for until 20:00"}};
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct moment moment;
        make_moment(&moment, 0.1);
        moment.outlook.stored_kwh = moment.outlook.floor_kwh = 2;
        decide(&moment);
        weigh(&moment);
        moment.why.kept = (struct gr_kept){rows[i].kind, 20, six_s + 7200};
        tell(&moment);
        assert_says(moment.text, rows[i].words);
        gr_zone_free(moment.zone);
    }
}

static void a_full_battery_says_so(void **state)
{
    (void)state;
    struct moment moment;
    make_moment(&moment, 0.2);
    moment.outlook.stored_kwh = 10;
    moment.solar_kw[0] = 5;
    decide(&moment);
    weigh(&moment);
    tell(&moment);
    assert_says(moment.text, "; the battery is full");
    gr_zone_free(moment.zone);
}

static void every_bar_and_every_breach_has_its_own_words(void **state)
{
    (void)state;
    static const struct {
        enum gr_bar bar;
        enum gr_breach breach;
        const char *words;
    } rows[] = {{GR_BAR_NONE, GR_BREACH_NONE, ""},
                {GR_BAR_EXPORT_OFF, 0, "the battery is configured not to feed the grid"},
                {GR_BAR_EXPORT_HOURS, 0, "the battery may not feed the grid at this time of day"},
                {GR_BAR_EXPORT_ASKED, 0, "no export was asked for"},
                {GR_BAR_RESERVE, 0, "nothing is stored above the reserve of 20 %"},
                {GR_BAR_CAR, 0, "a car draws, and the battery must not feed it"},
                {GR_BAR_CAR_UNKNOWN, 0, "whether a car draws is not known"},
                {GR_BAR_LEAST_GAIN, 0, "it gains less than the 0.0300 asked of a kWh exported"},
                {GR_BAR_IMPORT_LIMIT, 0, "the import limit of 13.80 kW leaves no room"},
                {GR_BAR_EXPORT_LIMIT, 0, "the export limit of 5.00 kW leaves no room"},
                {GR_BAR_NO_ROOM, 0, "there is no room for it"},
                {GR_BAR_TOO_LITTLE, 0, "so little is not sure"},
                {GR_BAR_NO_STOCK, 0, "there is nothing to give"},
                {GR_BAR_TEMPERATURE, 0, "the battery takes nothing at its temperature"},
                {GR_BAR_NONE, GR_BREACH_IMPORT_LIMIT, "would break the import limit of 13.80 kW"},
                {GR_BAR_NONE, GR_BREACH_EXPORT_LIMIT, "would break the export limit of 5.00 kW"},
                {GR_BAR_NONE, GR_BREACH_PEAK, "would lift the month's peak import above 3.20 kW"},
                {GR_BAR_NONE, GR_BREACH_KEPT, "would not keep the reserve of 20 %"}};
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct gr_why why = {.import_limit_kw = 13.8,
                             .export_limit_kw = 5,
                             .peak_kw = 3.2,
                             .least_gain_per_kwh = 0.03,
                             .kept = {.kind = GR_KEPT_RESERVE, .percent = 20}};
        char text[GR_REASON_SIZE];
        why.of[GR_CHARGE].bar = rows[i].bar;
        why.of[GR_CHARGE].breach = rows[i].breach;
        gr_why_hindrance(text, &why, GR_CHARGE, NULL);
        assert_string_equal(text, rows[i].words);
    }
}

/* Exporting 5 kW, 3 of them over the house's 2, instead of following: 1.5 kWh * (0.10 - 0.05 / 0.9). */
static void what_keeps_a_cheaper_command_away_is_named_with_what_it_would_save(void **state)
{
    (void)state;
    static const struct {
        enum gr_bar bar;
        const char *words;
    } rows[] = {{GR_BAR_EXPORT_HOURS, "but the battery may not feed the grid at this time of day"},
                {GR_BAR_EXPORT_ASKED, "but no export was asked for"},
                {GR_BAR_CAR, "but a car draws, and the battery must not feed it"},
                {GR_BAR_CAR_UNKNOWN, "but whether a car draws is not known"},
                {GR_BAR_LEAST_GAIN, "but it gains less than the 0.1000 asked of a kWh exported"},
                {GR_BAR_TOO_LITTLE, "but so little is not sure"},
                {GR_BAR_EXPORT_LIMIT, "but the export limit of 20.00 kW leaves no room"},
                {GR_BAR_RESERVE, "but nothing is stored above the reserve of 50 %"}};
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct moment moment;
        make_moment(&moment, 0.05);
        decide(&moment);
        moment.choice.kind = GR_FOLLOW;
        moment.choice.power_kw = 0;
        weigh(&moment);
        moment.why.of[GR_EXPORT].bar = rows[i].bar;
        moment.why.least_gain_per_kwh = 0.1;
        moment.why.kept = (struct gr_kept){.kind = GR_KEPT_RESERVE, .percent = 50};
        tell(&moment);
        assert_says(moment.text, "; export would cost 0.0667 less, but ");
        assert_says(moment.text, rows[i].words);
        gr_zone_free(moment.zone);
    }
}

static void prices_that_are_not_published_are_named(void **state)
{
    (void)state;
    struct moment moment;
    make_moment(&moment, 0.214);
    moment.outlook.import_price = 0.082;
    decide(&moment);
    weigh(&moment);
    moment.why.later_expected[0] = true;
    tell(&moment);
    assert_says(moment.text, "; that worth rests on prices not published yet");
    moment.why.expected_price = true;
    tell(&moment);
    assert_says(moment.text, "; this price is not published yet");
    gr_zone_free(moment.zone);
}

/* Charging costs 0.09 a kWh, worth 0.9 * 0.0999: 0.0001 more, which is next to nothing. */
static void make_early(struct moment *moment)
{
    make_moment(moment, 0.0999);
    moment->outlook.import_price = 0.09;
    moment->outlook.export_price = 0.01;
    moment->outlook.ready_for = 2e-3;
    decide(moment);
    weigh(moment);
    assert_int_equal(moment->why.kind, GR_CHARGE);
}

static void a_charge_that_makes_ready_early_admits_that_it_gains_nothing(void **state)
{
    (void)state;
    struct moment moment;
    make_early(&moment);
    tell(&moment);
    assert_says(moment.text, "hardly a difference, and better early: charge; ");
    gr_zone_free(moment.zone);
}

static void where_the_price_stays_the_worth_once_it_has_gone_is_told(void **state)
{
    (void)state;
    struct moment moment;
    make_early(&moment);
    moment.why.same_until_s = six_s + 3 * 3600;
    moment.why.same_worth = 0.25;
    tell(&moment);
    assert_says(moment.text,
                "a stored kWh is worth 0.2500 at 21:00, 0.2250 after losses; importing costs 0.0900 "
                "until then, and better early: charge; ");
    moment.why.same_worth = 0.05; /* less than it costs: no reason */
    tell(&moment);
    assert_says(moment.text, "a stored kWh is worth 0.0999 at 18:00, ");
    gr_zone_free(moment.zone);
}

static void commands_that_do_the_same_are_not_set_against_each_other(void **state)
{
    (void)state;
    struct moment moment;
    make_moment(&moment, 0.2);
    moment.outlook.battery.charge_kw = moment.outlook.battery.discharge_kw = 0;
    decide(&moment);
    weigh(&moment);
    assert_told(&moment, "no other command makes a difference: follow");
}

static bool ends_with(const char *text, const char *words)
{
    size_t length = strlen(text), wanted = strlen(words);
    return length >= wanted && strcmp(text + length - wanted, words) == 0;
}

/* Four commands that something keeps away are more than a reason has room for. */
static void a_clause_that_does_not_fit_is_left_out_as_a_whole(void **state)
{
    (void)state;
    struct moment moment;
    make_moment(&moment, 0.05);
    decide(&moment);
    moment.choice.kind = GR_STORE;
    moment.choice.power_kw = 0;
    weigh(&moment);
    moment.why.kept = (struct gr_kept){.kind = GR_KEPT_ASKED, .percent = 30, .until_s = six_s};
    for (int kind = 0; kind < GR_COMMAND_KINDS; kind++) {
        bool kept_away = kind != GR_STORE && kind != GR_REST;
        moment.why.of[kind].bar = kept_away ? GR_BAR_RESERVE : GR_BAR_NONE;
        moment.why.of[kind].more = kept_away ? -0.1 : 0;
    }
    tell(&moment);
    int clauses = 0;
    for (const char *at = moment.text; (at = strstr(at, "would cost 0.1000 less")) != NULL; at++) {
        clauses++;
    }
    assert_in_range(clauses, 1, 3);
    assert_true(ends_with(moment.text,
                          " less, but nothing is stored above the reserve of 30 % asked for until 18:00"));
    gr_zone_free(moment.zone);
}

/* ---- on random problems ---- */

/* Prices of any sign, export above import, limits that bind, floors, standing loss, curves of the battery,
 * values that rise. `curves` is to be kept as long as the moment. */
static void make_random(struct moment *moment, struct gr_battery_curves *curves, uint64_t *seed)
{
    make_moment(moment, 0);
    double capacity_kwh = uniform(seed, 1, 15), sum = 0;
    size_t samples = 1 + (size_t)uniform(seed, 0, SAMPLES), points = 2 + (size_t)uniform(seed, 0, POINTS - 1);
    struct gr_outlook *outlook = &moment->outlook;
    outlook->battery = (struct gr_battery){capacity_kwh,
                                           uniform(seed, 0, 6),
                                           uniform(seed, 0, 6),
                                           uniform(seed, 0.8, 1),
                                           uniform(seed, 0.8, 1),
                                           chance(seed, 0.5) ? 0 : uniform(seed, 0, 0.1),
                                           chance(seed, 0.5) ? 0 : uniform(seed, 0, 0.05)};
    outlook->hours = uniform(seed, 0.05, 1);
    outlook->import_price = uniform(seed, -0.1, 0.4);
    outlook->export_price = uniform(seed, -0.1, 0.3);
    outlook->stored_kwh = uniform(seed, 0, capacity_kwh);
    outlook->floor_kwh = chance(seed, 0.5) ? 0 : uniform(seed, 0, capacity_kwh / 2);
    outlook->import_limit_kw = uniform(seed, 1, 12);
    outlook->export_limit_kw = uniform(seed, 0, 6);
    outlook->curtailable = chance(seed, 0.5);
    outlook->may_export = chance(seed, 0.8);
    outlook->ready_for = chance(seed, 0.5) ? 0 : 2e-4;
    moment->marks.carbon_price = chance(seed, 0.7) ? 0 : uniform(seed, 0, 0.1);
    moment->marks.carbon_credit = chance(seed, 0.5) ? 0 : moment->marks.carbon_price;
    if (chance(seed, 0.5)) {
        draw_curves(curves, &outlook->battery, seed);
        gr_outlook_take_curves(outlook, curves);
    }
    for (size_t i = 0; i < samples; i++) {
        moment->house_kw[i] = uniform(seed, 0, 4);
        moment->solar_kw[i] = chance(seed, 0.5) ? 0 : uniform(seed, 0, 5);
        moment->weight[i] = uniform(seed, 0.1, 1);
        sum += moment->weight[i];
    }
    for (size_t i = 0; i < samples; i++) {
        moment->weight[i] /= sum;
    }
    for (size_t i = 1; i < points; i++) {
        double wide_kwh = capacity_kwh / (double)(points - 1);
        double slope = chance(seed, 0.1) ? -5 : -uniform(seed, -0.05, 0.4);
        moment->kwh[i] = i + 1 < points ? moment->kwh[i - 1] + wide_kwh : capacity_kwh;
        moment->value[i] = moment->value[i - 1] + slope * wide_kwh;
    }
    tie(moment, samples, points);
}

/* The number behind the words; NAN without them. */
static double number_after(const char *text, const char *words)
{
    const char *at = strstr(text, words);
    return at ? strtod(at + strlen(words), NULL) : NAN;
}

/* The words before what counts at the meter. */
static const char *told_at(const char *text)
{
    static const char *const words[] = {"importing now costs ", "exporting now pays "};
    return strstr(text, words[0])   ? words[0]
           : strstr(text, words[1]) ? words[1]
                                    : "at the meter a kWh now counts ";
}

static double told_now(const char *text)
{
    double cost = number_after(text, "importing now costs "), pay = number_after(text, "exporting now pays ");
    double count = number_after(text, "at the meter a kWh now counts ");
    return !isnan(cost) ? cost : !isnan(pay) ? pay : count;
}

/* "...; store would cost 0.1234 more": what is told of the next best is what the live policy reckoned. */
static void check_next(const struct moment *moment, const struct gr_verdict *verdict)
{
    char words[64], colon[32];
    double more = moment->choice.cost[verdict->next] - moment->choice.cost[moment->choice.kind];
    (void)snprintf(words, sizeof words, "; %s would cost ", gr_command_name(verdict->next));
    (void)snprintf(colon, sizeof colon, ": %s; ", gr_command_name(moment->choice.kind));
    assert_says(moment->text, words);
    assert_says(moment->text, colon);
    double told = number_after(moment->text, words);
    bool same = strstr(moment->text, "would cost the same") != NULL;
    assert_near(same ? 0 : told, fabs(more), 6e-5);
    assert_true(more >= -moment->why.ready_cost - 1e-9);
    assert_near(verdict->next_more, more, 1e-9);
}

/* Whether the choice follows from the numbers as they are printed. */
static void check_per_kwh(const struct moment *moment, const struct gr_verdict *verdict)
{
    double after = number_after(strstr(moment->text, " at "), ", "), now = told_now(moment->text);
    double carbon = number_after(strstr(moment->text, told_at(moment->text)), " and ");
    carbon = strstr(moment->text, " for its carbon") ? carbon : 0;
    double at_meter = verdict->now + verdict->carbon;
    double gain = (verdict->worth + verdict->wear + verdict->cycles - at_meter) * verdict->moved_kwh;
    assert_near(gain, verdict->against_more, 1e-9);
    assert_near(after, verdict->worth + verdict->wear + verdict->cycles, 6e-5);
    assert_near(now, verdict->now, 6e-5);
    assert_near(carbon, verdict->carbon, 6e-5);
    double rounding = 1.8e-4 * fabs(verdict->moved_kwh) + moment->why.ready_cost;
    if (!((after - now - carbon) * verdict->moved_kwh >= -rounding)) {
        fail_msg("the numbers of \"%s\" speak against it", moment->text);
    }
}

static void the_choice_follows_from_the_numbers_that_are_told(void **state)
{
    (void)state;
    uint64_t seed = test_seed(20260310);
    size_t per_kwh = 0, breached = 0, sums = 0;
    for (size_t i = 0; i < PROBLEMS; i++) {
        struct moment moment;
        struct gr_battery_curves curves;
        make_random(&moment, &curves, &seed);
        decide(&moment);
        weigh(&moment);
        tell(&moment);
        struct gr_verdict verdict = gr_why_judge(&moment.why);
        for (int kind = 0; kind < GR_COMMAND_KINDS; kind++) {
            double more = moment.choice.cost[kind] - moment.choice.cost[moment.choice.kind];
            double scale = 1 + fabs(moment.choice.cost[kind]);
            assert_true(isinf(more) ? isinf(moment.why.of[kind].more)
                                    : fabs(moment.why.of[kind].more - more) <= 1e-9 * scale);
        }
        assert_in_range(strlen(moment.text), 10, GR_REASON_SIZE - 1);
        bool reckoned = verdict.any && isfinite(verdict.next_more);
        if (reckoned) {
            check_next(&moment, &verdict);
        }
        if (reckoned && verdict.per_kwh) {
            check_per_kwh(&moment, &verdict);
        }
        per_kwh += reckoned && verdict.per_kwh;
        sums += reckoned && !verdict.per_kwh;
        breached += verdict.any && !reckoned;
        gr_zone_free(moment.zone);
    }
    print_message("%zu by the kWh, %zu by sums, %zu by what would be broken\n", per_kwh, sums, breached);
    assert_true(per_kwh > PROBLEMS / 2 && sums > 10 && breached > 10);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(charging_tells_the_worth_of_a_stored_kwh_after_losses_and_what_importing_costs),
        cmocka_unit_test(following_at_a_dear_time_tells_wear_and_losses_of_a_kwh_given),
        cmocka_unit_test(a_bound_on_cycles_is_told_beside_the_wear),
        cmocka_unit_test(carbon_is_told_beside_the_money_of_a_kwh_bought),
        cmocka_unit_test(storing_the_surplus_tells_what_exporting_it_would_pay),
        cmocka_unit_test(a_charge_that_the_import_limit_cuts_says_so),
        cmocka_unit_test(an_export_that_the_export_limit_cuts_says_so),
        cmocka_unit_test(what_has_to_be_kept_is_named_where_no_price_could_be_worth_it),
        cmocka_unit_test(each_keeper_has_its_own_words),
        cmocka_unit_test(a_full_battery_says_so),
        cmocka_unit_test(every_bar_and_every_breach_has_its_own_words),
        cmocka_unit_test(what_keeps_a_cheaper_command_away_is_named_with_what_it_would_save),
        cmocka_unit_test(prices_that_are_not_published_are_named),
        cmocka_unit_test(a_charge_that_makes_ready_early_admits_that_it_gains_nothing),
        cmocka_unit_test(where_the_price_stays_the_worth_once_it_has_gone_is_told),
        cmocka_unit_test(commands_that_do_the_same_are_not_set_against_each_other),
        cmocka_unit_test(a_clause_that_does_not_fit_is_left_out_as_a_whole),
        cmocka_unit_test(the_choice_follows_from_the_numbers_that_are_told),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
