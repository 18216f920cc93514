/* The group `peak`, of the configuration's rates or of a tariff file: what a month's highest powers cost. */
#include "config/form.h"

#include "granary/peak.h"

#include <string.h>

struct peak_form {
    struct gr_peak_charge peak;
    int days;
    char weekdays[64];
};

#define PEAK(member) offsetof(struct peak_form, member)

static const int peak_minutes[] = {5, 15, 30, 60, 0};

const struct gr_key gr_peak_keys[] = {
    {.name = "minutes",
     .kind = GR_KEY_WHOLE,
     .offset = PEAK(peak.minutes),
     .unit = "minutes",
     .choices = peak_minutes,
     .standard = 60,
     .about = "a peak is the mean import over so long"},
    {.name = "mean_of_days",
     .kind = GR_KEY_WHOLE,
     .offset = PEAK(days),
     .unit = "days",
     .least = 1,
     .greatest = 31,
     .standard = 1,
     .about = "the charge goes by the mean of so many highest daily peaks of the month"},
    {.name = "from",
     .kind = GR_KEY_CLOCK,
     .offset = PEAK(peak.from_minute),
     .greatest = 1439,
     .standard_text = "00:00",
     .about = "peaks count from this local time"},
    {.name = "to",
     .kind = GR_KEY_CLOCK,
     .offset = PEAK(peak.to_minute),
     .greatest = 1440,
     .standard_text = "24:00",
     .about = "and up to this one"},
    {.name = "days",
     .kind = GR_KEY_TEXT,
     .offset = PEAK(weekdays),
     .size = 64,
     .standard_text = "\"all\"",
     .about = "days on which they count: \"all\", \"Mon-Fri\""},
    {.name = "per_kw",
     .kind = GR_KEY_NUMBER,
     .offset = PEAK(peak.per_kw),
     .unit = "money/kW",
     .greatest = 100000,
     .about = "charge for each kW and month; either this or steps"},
    {.name = "steps",
     .kind = GR_KEY_PART,
     .unit = "a list of 1 to 16 groups",
     .about = "charge by steps; the last one holds beyond its end too"},
    {.name = NULL}};

const struct gr_key gr_peak_step_keys[] = {{.name = "up_to_kw",
                                            .kind = GR_KEY_NUMBER,
                                            .offset = offsetof(struct gr_peak_step, up_to_kw),
                                            .unit = "kW",
                                            .required = true,
                                            .least = 0.1,
                                            .greatest = 1000,
                                            .about = "the step reaches up to this mean peak"},
                                           {.name = "price",
                                            .kind = GR_KEY_NUMBER,
                                            .offset = offsetof(struct gr_peak_step, price),
                                            .unit = "money",
                                            .required = true,
                                            .greatest = 100000,
                                            .about = "money for a month on this step"},
                                           {.name = NULL}};

static void read_steps(struct gr_reader *reader, const config_setting_t *list, struct gr_peak_charge *peak)
{
    int count = config_setting_length(list);
    if (count < 1 || count > GR_MAX_PEAK_STEPS) {
        gr_complain(reader, list, NULL, "found %d steps; allowed: 1 to %d", count, GR_MAX_PEAK_STEPS);
        return;
    }
    double last_kw = 0;
    for (int i = 0; i < count; i++) {
        const config_setting_t *group = config_setting_get_elem(list, (unsigned)i);
        struct gr_peak_step *step = &peak->step[peak->step_count++];
        if (!config_setting_is_group(group)) {
            gr_complain(reader, group, NULL, "found something else; allowed: a group { ... } for each step");
            continue;
        }
        gr_form_read(reader, group, (const struct gr_key *const[]){gr_peak_step_keys, NULL}, step);
        if (step->up_to_kw <= last_kw) {
            gr_complain(reader, group, "up_to_kw", "found %.6g kW after %.6g kW; allowed: steps that rise",
                        step->up_to_kw, last_kw);
        }
        last_kw = step->up_to_kw;
    }
}

void gr_peak_group_read(struct gr_reader *reader, const config_setting_t *parent, struct gr_peak_charge *out)
{
    const config_setting_t *group = gr_group_member(reader, parent, "peak", false);
    if (!group) {
        return;
    }
    struct peak_form form = {.weekdays = "all"};
    gr_form_read(reader, group, (const struct gr_key *const[]){gr_peak_keys, NULL}, &form);
    form.peak.any = true;
    form.peak.days = (size_t)form.days;
    form.peak.weekdays = gr_weekdays_parse(form.weekdays);
    if (form.peak.weekdays == 0) {
        gr_complain(reader, group, "days",
                    "found \"%s\"; allowed: days like \"all\", \"Mon-Fri\", \"Sat,Sun\"", form.weekdays);
    }
    const config_setting_t *steps = gr_list_member(reader, group, "steps", false);
    if (steps) {
        read_steps(reader, steps, &form.peak);
    }
    if (gr_given(group, "per_kw") == gr_given(group, "steps")) {
        gr_complain(reader, group, "per_kw", "found %s per_kw and steps; allowed: one of them",
                    steps ? "both" : "neither");
    }
    *out = form.peak;
}
