#include "granary/charger.h"

#include <math.h>
#include <string.h>

static const double least_rise = 0.8, most_rise = 1.2; /* of the charger's power */
static const double least_left = 0.6;                  /* a full car takes less and less */
static const double smoothing_ms = 120000;
static const int64_t confirm_ms = 300000; /* a shower or an oven that heats up is over by then */
static const int64_t fallen_ms = 30000;
static const int64_t longest_ms = (int64_t)16 * 3600000;
static const int64_t longest_gap_ms = 600000;

void gr_charger_init(struct gr_charger *charger)
{
    memset(charger, 0, sizeof *charger);
}

static void begin(struct gr_charger *charger, double total_kw, int64_t mono_ms)
{
    memset(charger, 0, sizeof *charger);
    charger->begun = true;
    charger->house_kw = total_kw;
    charger->mono_ms = mono_ms;
}

static void wait(struct gr_charger *charger, double power_kw, double total_kw, double passed_ms)
{
    double rise_kw = total_kw - charger->house_kw;
    if (rise_kw >= least_rise * power_kw) {
        charger->phase = GR_CHARGER_RISEN;
        charger->since_ms = charger->mono_ms;
        charger->least_kw = rise_kw;
    } else {
        charger->house_kw += (1 - exp(-passed_ms / smoothing_ms)) * rise_kw;
    }
}

/* A load that never came down to what the charger takes is another one, and from now on the house's. */
static void confirm(struct gr_charger *charger, double power_kw, double total_kw)
{
    charger->least_kw = fmin(charger->least_kw, total_kw - charger->house_kw);
    if (charger->least_kw < least_rise * power_kw) {
        charger->phase = GR_CHARGER_IDLE;
    } else if (charger->mono_ms - charger->since_ms >= confirm_ms) {
        bool fits = charger->least_kw <= most_rise * power_kw;
        charger->phase = fits ? GR_CHARGER_CHARGES : GR_CHARGER_IDLE;
        charger->car_kw = fits ? charger->least_kw : 0;
        charger->high_ms = charger->mono_ms;
        charger->house_kw = fits ? charger->house_kw : total_kw;
    }
}

/* Powers that are read at slightly different moments contradict each other for a while: a fall has to last.
 */
static void go_on(struct gr_charger *charger, double power_kw, double total_kw)
{
    if (total_kw >= least_left * power_kw) {
        charger->high_ms = charger->mono_ms;
    }
    if (charger->mono_ms - charger->high_ms >= fallen_ms ||
        charger->mono_ms - charger->since_ms > longest_ms) {
        begin(charger, total_kw, charger->mono_ms);
    }
}

double gr_charger_turn(struct gr_charger *charger, double power_kw, double total_kw, int64_t mono_ms)
{
    int64_t passed_ms = mono_ms - charger->mono_ms;
    if (isnan(total_kw)) {
        return charger->begun && passed_ms <= longest_gap_ms ? charger->car_kw : 0;
    }
    if (!charger->begun || passed_ms < 0 || passed_ms > longest_gap_ms) {
        begin(charger, total_kw, mono_ms);
        return 0;
    }
    charger->mono_ms = mono_ms;
    switch (charger->phase) {
    case GR_CHARGER_IDLE:
        wait(charger, power_kw, total_kw, (double)passed_ms);
        break;
    case GR_CHARGER_RISEN:
        confirm(charger, power_kw, total_kw);
        break;
    case GR_CHARGER_CHARGES:
        go_on(charger, power_kw, total_kw);
        break;
    }
    return fmin(charger->car_kw, total_kw); /* the house cannot take less than nothing */
}
