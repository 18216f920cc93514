#include "daemon/properties.h"

#include <string.h>

#define BANDS "follow,store,serve,charge,export,rest"
#define ANSWERS "unknown,follows,retried,limited,refuses"
#define FAULTS                                                                                               \
    "none,starting,clock,link,state-of-charge,grid-absent,power,rates,planner,recovering,budget,inverter,"   \
    "rival"
#define OVERRIDES "none," BANDS

const struct gr_property_row gr_properties[GR_PROPERTIES] = {
    [GR_COMMAND_DOCUMENT] = {.node = GR_NODE_COMMAND,
                             .id = "document",
                             .name = "Command as one document",
                             .datatype = "json",
                             .about = "the whole command; see below",
                             .example = "see below"},
    [GR_COMMAND_BAND] = {.node = GR_NODE_COMMAND,
                         .id = "band",
                         .name = "Band of battery power",
                         .datatype = "enum",
                         .format = BANDS,
                         .about = "what the battery is to do: one word of the table below",
                         .example = "`charge`"},
    [GR_COMMAND_POWER] = {.node = GR_NODE_COMMAND,
                          .id = "power",
                          .name = "Power of charge and export",
                          .datatype = "integer",
                          .unit = "W",
                          .format = "0:",
                          .about = "power of `charge` and `export`, at the inverter's AC side (the battery's "
                                   "DC side where `battery.coupling` is \"dc\"), never negative; 0 with the "
                                   "other words",
                          .example = "`2500`"},
    [GR_COMMAND_TARGET] = {.node = GR_NODE_COMMAND,
                           .id = "target",
                           .name = "State of charge worked towards",
                           .datatype = "integer",
                           .unit = "%",
                           .format = "0:100",
                           .about = "state of charge that the command works towards; it may stop there",
                           .example = "`80`"},
    [GR_COMMAND_VALID_UNTIL] = {.node = GR_NODE_COMMAND,
                                .id = "valid-until",
                                .name = "Back to follow after",
                                .datatype = "datetime",
                                .about =
                                    "after this moment the hub returns the inverter to `follow` by itself",
                                .example = "`2026-01-15T02:05:00Z`"},
    [GR_COMMAND_REASON] = {.node = GR_NODE_COMMAND,
                           .id = "reason",
                           .name = "Why",
                           .datatype = "string",
                           .about = "why, in plain words with figures; for people",
                           .example =
                               "`a stored kWh is worth 0.2140 at 18:00, 0.1926 after losses; importing "
                               "now costs 0.0820: charge; store would cost 0.2765 more`"},
    [GR_COMMAND_SEQUENCE] = {.node = GR_NODE_COMMAND,
                             .id = "sequence",
                             .name = "Number of the command",
                             .datatype = "integer",
                             .format = "0:",
                             .about = "number of the command; it rises with every one, over restarts too",
                             .example = "`4711`"},
    [GR_HEALTH_HEARTBEAT] =
        {.node = GR_NODE_HEALTH,
         .id = "heartbeat",
         .name = "Turns of the control loop",
         .datatype = "integer",
         .format = "0:",
         .about = "rises with every turn of the control loop, at least every 10 s; a hub may time out on it",
         .example = "`8640`"},
    [GR_HEALTH_MODE] = {.node = GR_NODE_HEALTH,
                        .id = "mode",
                        .name = "Mode",
                        .datatype = "enum",
                        .format = "observing,commanding,fallback",
                        .about = "`observing`: only advice; `commanding`: all is well; `fallback`: commands "
                                 "are `follow` because of a fault",
                        .example = "`commanding`"},
    [GR_HEALTH_FAULT] = {.node = GR_NODE_HEALTH,
                         .id = "fault",
                         .name = "Fault",
                         .datatype = "enum",
                         .format = FAULTS,
                         .about = "`none`, or what is wrong: the words of [safety.md](safety.md), and "
                                  "`starting`, `link`, `recovering`",
                         .example = "`state-of-charge`"},
    [GR_HEALTH_REASON] =
        {.node = GR_NODE_HEALTH,
         .id = "reason",
         .name = "Fault in words",
         .datatype = "string",
         .about = "the fault in plain words with figures, as it was when it began; empty while there is none",
         .example = "`the grid is absent: the house runs on its own`"},
    [GR_HEALTH_INVERTER] =
        {.node = GR_NODE_HEALTH,
         .id = "inverter",
         .name = "Answer to the command",
         .datatype = "enum",
         .format = ANSWERS,
         .about = "what the battery makes of commands: `unknown` (nothing to see yet), `follows`, `retried` "
                  "(it did not, and the command was given once more), `limited` (it gives less; the plan "
                  "reckons with that for two hours), `refuses` (fault `inverter`)",
         .example = "`follows`"},
    [GR_HEALTH_CHANGES] =
        {.node = GR_NODE_HEALTH,
         .id = "changes",
         .name = "Changes of command in 24 h",
         .datatype = "integer",
         .format = "0:",
         .about = "changes of command within the last 24 h; `safety.changes_per_day` is the budget",
         .example = "`7`"},
    [GR_HEALTH_RATES_UNTIL] = {.node = GR_NODE_HEALTH,
                               .id = "rates-until",
                               .name = "Import prices known until",
                               .datatype = "datetime",
                               .about = "end of the unbroken published import prices from now on",
                               .example = "`2026-01-16T23:00:00Z`"},
    [GR_HEALTH_REFUSED] =
        {.node = GR_NODE_HEALTH,
         .id = "refused",
         .name = "Messages refused since start",
         .datatype = "integer",
         .format = "0:",
         .about =
             "messages on the readings' topics that were no readings, since the start; the log says which",
         .example = "`0`"},
    [GR_HEALTH_EVENT_SOURCES] = {.node = GR_NODE_HEALTH,
                                 .id = "event-sources",
                                 .name = "Sources of events",
                                 .datatype = "json",
                                 .about = "how each of `event_sources` fares, and the events that were "
                                          "refused, with the reason; see below",
                                 .example = "see below"},
    [GR_PLAN_MARGINAL_VALUE] = {.node = GR_NODE_PLAN,
                                .id = "marginal-value",
                                .name = "Worth of one more stored kWh",
                                .datatype = "float",
                                .about =
                                    "what one more stored kWh is worth now, in the currency of the rates",
                                .example = "`0.1054`"},
    [GR_PLAN_NEXT_COMMAND] = {.node = GR_NODE_PLAN,
                              .id = "next-command",
                              .name = "Next command",
                              .datatype = "enum",
                              .format = BANDS,
                              .about = "the next other command, as planned; the present one where none is",
                              .example = "`charge`"},
    [GR_PLAN_NEXT_AT] = {.node = GR_NODE_PLAN,
                         .id = "next-at",
                         .name = "Next command at",
                         .datatype = "datetime",
                         .about = "when it begins; the plan's end where there is none",
                         .example = "`2026-01-15T02:00:00Z`"},
    [GR_PLAN_COST_TODAY] = {.node = GR_NODE_PLAN,
                            .id = "cost-today",
                            .name = "Cost of today",
                            .datatype = "float",
                            .about =
                                "what today costs: what was spent since `plan/cost-today-from`, by the five "
                                "minutes on record, and what the plan spends until local midnight; import "
                                "less export income, plus wear; in the currency of the rates",
                            .example = "`1.32`"},
    [GR_PLAN_COST_TODAY_FROM] = {.node = GR_NODE_PLAN,
                                 .id = "cost-today-from",
                                 .name = "Cost of today counts from",
                                 .datatype = "datetime",
                                 .about = "local midnight; later where the record of today begins later",
                                 .example = "`2026-01-15T00:00:00Z`"},
    [GR_PLAN_COST_TOMORROW] = {.node = GR_NODE_PLAN,
                               .id = "cost-tomorrow",
                               .name = "Cost of tomorrow",
                               .datatype = "float",
                               .about =
                                   "and in the local day that follows, where the plan reaches to its end",
                               .example = "`2.08`"},
    [GR_PLAN_BACKUP_HOURS] = {.node = GR_NODE_PLAN,
                              .id = "backup-hours",
                              .name = "Backup at the present load",
                              .datatype = "float",
                              .unit = "h",
                              .format = "0:999",
                              .about =
                                  "how long all that is stored, the reserve too, carries the house's present "
                                  "load, at most 999",
                              .example = "`9.5`"},
    [GR_PLAN_CAR_CHARGE] =
        {.node = GR_NODE_PLAN,
         .id = "car-charge",
         .name = "When the car had best charge",
         .datatype = "json",
         .about = "for a car that asked by an override `car`: `start`, `end`, `power_kw`, `cost`; "
                  "`{}` where none did",
         .example = "see meaning"},
    [GR_PLAN_EVENTS] = {.node = GR_NODE_PLAN,
                        .id = "events",
                        .name = "Events to come",
                        .datatype = "json",
                        .about =
                            "what `event_sources` tell of: changed prices, payments and wishes, with their "
                            "time; see below",
                        .example = "see below"},
    [GR_PLAN_SLOTS] = {.node = GR_NODE_PLAN,
                       .id = "slots",
                       .name = "The plan, slot by slot",
                       .datatype = "json",
                       .about = "the plan, an array with one object for each slot; see below",
                       .example = "see below"},
    [GR_ASK_COMMAND] = {.node = GR_NODE_OVERRIDE,
                        .id = "command",
                        .name = "Command asked for",
                        .datatype = "enum",
                        .format = OVERRIDES,
                        .settable = true,
                        .about = "the command that was asked for, `none` while none is; set, it is "
                                 "given for `override/hours` or until `override/target` is reached",
                        .example = "`charge`"},
    [GR_ASK_POWER] = {.node = GR_NODE_OVERRIDE,
                      .id = "power",
                      .name = "Power for the next",
                      .datatype = "integer",
                      .unit = "W",
                      .format = "0:1000000",
                      .settable = true,
                      .about = "power of the next `charge` or `export` that is set on "
                               "`override/command`; 0: as much as the battery can",
                      .example = "`2500`"},
    [GR_ASK_TARGET] = {.node = GR_NODE_OVERRIDE,
                       .id = "target",
                       .name = "State of charge for the next",
                       .datatype = "integer",
                       .unit = "%",
                       .format = "0:100",
                       .settable = true,
                       .about = "state of charge at which the next command set on `override/command` "
                                "ends; 0: it ends by time only",
                       .example = "`80`"},
    [GR_ASK_HOURS] = {.node = GR_NODE_OVERRIDE,
                      .id = "hours",
                      .name = "Hours for the next",
                      .datatype = "float",
                      .unit = "h",
                      .format = "0.1:744",
                      .settable = true,
                      .about = "how long whatever is set next on these plain topics lasts",
                      .example = "`2`"},
    [GR_ASK_RESERVE] = {.node = GR_NODE_OVERRIDE,
                        .id = "reserve",
                        .name = "Reserve asked for",
                        .datatype = "integer",
                        .unit = "%",
                        .format = "0:100",
                        .settable = true,
                        .about = "a reserve above the configured one, for a storm; 0: none is asked for",
                        .example = "`60`"},
    [GR_ASK_LOAD_FACTOR] = {.node = GR_NODE_OVERRIDE,
                            .id = "load-factor",
                            .name = "Load to be expected",
                            .datatype = "float",
                            .format = "0.1:5",
                            .settable = true,
                            .about = "the house is expected to draw so many times the usual: 0.4 while "
                                     "away, 1.5 with guests; 1: as usual",
                            .example = "`1.5`"},
    [GR_ASK_NO_EXPORT] = {.node = GR_NODE_OVERRIDE,
                          .id = "no-export",
                          .name = "No export",
                          .datatype = "boolean",
                          .settable = true,
                          .about = "the battery does not feed the grid by command",
                          .example = "`false`"},
    [GR_ASK_PAUSE] = {.node = GR_NODE_OVERRIDE,
                      .id = "pause",
                      .name = "Pause",
                      .datatype = "boolean",
                      .settable = true,
                      .about = "`follow` and nothing else: the battery as it would be without Granary",
                      .example = "`false`"},
    [GR_ASK_REQUEST] = {.node = GR_NODE_OVERRIDE,
                        .id = "request",
                        .name = "Request",
                        .datatype = "json",
                        .settable = true,
                        .about = "any of these as one document, with an end of its own; see below. It "
                                 "shows the last one accepted, `{}` before",
                        .example = "see below"},
    [GR_ASK_ANSWER] =
        {.node = GR_NODE_OVERRIDE,
         .id = "answer",
         .name = "Answer",
         .datatype = "json",
         .about =
             "whether the last request on any of these topics was accepted, or why it was refused; see below",
         .example = "see below"},
    [GR_ASK_ACTIVE] =
        {.node = GR_NODE_OVERRIDE,
         .id = "active",
         .name = "In force",
         .datatype = "json",
         .about =
             "what is in force, who asked for it, until when, and what it costs against the plan; see below",
         .example = "see below"},
};

const struct gr_alert_row gr_alerts[GR_ALERTS] = {
    [GR_ALERT_FAULT] = {"fault", "`health/fault` is another one than `none`, `starting` or `recovering`",
                        "`state-of-charge: no reading for 312 s`"},
    [GR_ALERT_INVERTER] = {"inverter", "`health/inverter` is `retried`, `limited` or `refuses`",
                           "`limited: 2.1 kW of 3.0 kW commanded`"},
    [GR_ALERT_RATES] = {"rates", "the published import prices end within two hours",
                        "`published import prices end at 2026-01-15T23:00:00Z`"},
    [GR_ALERT_EVENTS] = {"events", "a source of events does not answer, or told of events that were refused",
                         "`network: down: HTTP status 503`"},
    [GR_ALERT_STORE] = {"store", "nothing can be written to the state folder, so that a restart would forget",
                        "`the state folder cannot be written`"}};

const char *const gr_node_ids[GR_NODES] = {"command", "health", "plan", "override"};

const char *const gr_node_names[GR_NODES] = {"Command to the battery", "Health", "Plan",
                                             "What people ask for"};

enum gr_property gr_property_find(enum gr_node node, const char *id)
{
    int found = 0;
    while (found < GR_PROPERTIES &&
           (gr_properties[found].node != node || strcmp(gr_properties[found].id, id) != 0)) {
        found++;
    }
    return (enum gr_property)found;
}

void gr_properties_print(FILE *stream)
{
    for (int node = 0; node < GR_NODES; node++) {
        fprintf(stream, "%s## %s\n\n", node ? "\n" : "", gr_node_names[node]);
        fputs("| property | datatype | unit | meaning | example |\n| --- | --- | --- | --- | --- |\n",
              stream);
        for (int i = 0; i < GR_PROPERTIES; i++) {
            const struct gr_property_row *row = &gr_properties[i];
            if ((int)row->node == node) {
                fprintf(stream, "| `%s/%s` | %s%s | %s | %s | %s |\n", gr_node_ids[node], row->id,
                        row->datatype, row->settable ? ", settable" : "", row->unit ? row->unit : "-",
                        row->about, row->example);
            }
        }
    }
    fputs("\n## Alerts\n\n| topic | there while | example |\n| --- | --- | --- |\n", stream);
    for (size_t i = 0; i < GR_ALERTS; i++) {
        fprintf(stream, "| `$alert/%s` | %s | %s |\n", gr_alerts[i].id, gr_alerts[i].about,
                gr_alerts[i].example);
    }
}
