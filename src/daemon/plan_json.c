#include "daemon/plan_json.h"

#include "granary/civil.h"

#include <math.h>

static json_t *slot_to_json(const struct gr_plan_slot *slot)
{
    char start[GR_RFC3339_SIZE], end[GR_RFC3339_SIZE];
    json_t *out =
        json_pack("{s:s, s:s, s:f, s:f, s:b, s:f, s:f, s:s, s:f, s:f, s:f, s:f, s:f, s:f, s:s}", "start",
                  gr_rfc3339_format(start, slot->start_s), "end", gr_rfc3339_format(end, slot->end_s),
                  "import_price", slot->import_price, "export_price", slot->export_price, "expected_price",
                  slot->expected_price, "house_kw", slot->house_kw, "solar_kw", slot->solar_kw, "command",
                  gr_command_name(slot->kind), "power_kw", slot->power_kw, "battery_kw", slot->battery_kw,
                  "grid_kw", slot->grid_kw, "stored_kwh", slot->stored_kwh, "cost", slot->cost,
                  "marginal_value_per_kwh", slot->marginal_value_per_kwh, "reason", slot->reason);
    if (!isnan(slot->carbon_kg_per_kwh)) {
        (void)json_object_update_new(out,
                                     json_pack("{s:f, s:f}", "carbon_kg_per_kwh", slot->carbon_kg_per_kwh,
                                               "import_co2_kg", slot->import_co2_kg));
    }
    if (slot->has_next) {
        (void)json_object_set_new(out, "next_best", json_string(gr_command_name(slot->next_best)));
    }
    if (slot->has_next && isfinite(slot->next_best_more)) {
        (void)json_object_set_new(out, "next_best_more", json_real(slot->next_best_more));
    }
    return out;
}

json_t *gr_plan_to_json(const struct gr_plan_view *plan)
{
    json_t *slots = json_array();
    for (size_t i = 0; slots && i < plan->count; i++) {
        if (json_array_append_new(slots, slot_to_json(&plan->slots[i])) != 0) {
            json_decref(slots);
            return NULL;
        }
    }
    return slots;
}
