#include "daemon/budget.h"

#include "config/json_text.h"
#include "daemon/log.h"

#include <jansson.h>
#include <stdlib.h>

static const char kept_name[] = "changes";

/* Returns the number of moments. */
static size_t read_moments(const json_t *document, int64_t out_s[GR_MOST_CHANGES])
{
    const json_t *list = json_object_get(document, "changes");
    size_t count = 0;
    for (size_t i = 0; i < json_array_size(list) && count < GR_MOST_CHANGES; i++) {
        const json_t *moment = json_array_get(list, i);
        if (json_is_integer(moment)) {
            out_s[count++] = json_integer_value(moment);
        }
    }
    return count;
}

void gr_budget_restore(struct gr_budget *budget, struct gr_engine *engine, struct gr_store *store,
                       const struct gr_moment *now)
{
    struct gr_error error = {""};
    int64_t at_s[GR_MOST_CHANGES];
    char *text = NULL;
    if (budget->restored || !store) {
        return;
    }
    budget->restored = true;
    if (gr_store_get_text(store, kept_name, &text, &error) != GR_OK) {
        gr_log(GR_LOG_WARNING, "the day's changes of before the restart cannot be read: %s", error.text);
        return;
    }
    json_t *document = text ? json_loads(text, 0, NULL) : NULL;
    const char *command = json_string_value(json_object_get(document, "command"));
    size_t count = read_moments(document, at_s);
    if (command && gr_command_kind_of(command) != (int)GR_FOLLOW && count < GR_MOST_CHANGES) {
        at_s[count++] = now->utc_s;
    }
    gr_engine_restore_changes(engine, at_s, count, now);
    json_decref(document);
    free(text);
}

static char *write_text(const int64_t *at_s, size_t count, enum gr_command_kind kind)
{
    json_t *list = json_array();
    for (size_t i = 0; i < count; i++) {
        (void)json_array_append_new(list, json_integer(at_s[i]));
    }
    json_t *document = json_pack("{s:s, s:o}", "command", gr_command_name(kind), "changes", list);
    char *text = gr_json_text(document, JSON_COMPACT);
    json_decref(document);
    return text;
}

void gr_budget_note(struct gr_budget *budget, const struct gr_engine *engine, struct gr_store *store,
                    const struct gr_decision *decision, const struct gr_moment *now)
{
    struct gr_error error = {"no memory"};
    int64_t at_s[GR_MOST_CHANGES];
    if (!store || !decision->issue) {
        return;
    }
    size_t count = gr_engine_changes(engine, now, at_s);
    int64_t newest_s = count > 0 ? at_s[count - 1] : 0;
    /* Moments are worked out from ages, and may be a second off from one time to the next. */
    bool known = newest_s >= budget->newest_s - 1 && newest_s <= budget->newest_s + 1;
    if (known && budget->kind == (int)decision->command.kind) {
        return;
    }
    char *text = write_text(at_s, count, decision->command.kind);
    bool kept = text && gr_store_put_text(store, kept_name, text, &error) == GR_OK;
    if (kept) {
        budget->newest_s = newest_s;
        budget->kind = (int)decision->command.kind;
    } else if (!budget->refused) {
        gr_log(GR_LOG_WARNING, "the day's changes of command will not survive a restart: %s", error.text);
    }
    budget->refused = !kept;
    free(text);
}
