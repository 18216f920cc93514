#include "config/form.h"

#include <math.h>
#include <string.h>

static const struct gr_key *find_key(const struct gr_key *const *tables, const char *name)
{
    for (; *tables; tables++) {
        for (const struct gr_key *key = *tables; key->name; key++) {
            if (strcmp(key->name, name) == 0) {
                return key;
            }
        }
    }
    return NULL;
}

static void set_word(const struct gr_key *key, void *field)
{
    for (const struct gr_word *word = key->words; key->standard_text && word->word; word++) {
        if (strcmp(word->word, key->standard_text) == 0) {
            *(int *)field = word->value;
        }
    }
}

static void set_standard(const struct gr_key *key, void *field)
{
    switch (key->kind) {
    case GR_KEY_NUMBER:
        *(double *)field = key->required ? NAN : key->standard;
        break;
    case GR_KEY_WHOLE:
        *(int *)field = (int)key->standard;
        break;
    case GR_KEY_BOOLEAN:
        *(bool *)field = key->standard != 0;
        break;
    case GR_KEY_CLOCK:
        *(int *)field = key->standard_text ? gr_clock_time_parse(key->standard_text) : -1;
        break;
    case GR_KEY_WORD:
        set_word(key, field);
        break;
    case GR_KEY_NUMBERS:
        for (size_t i = 0; i < key->size; i++) {
            ((double *)field)[i] = key->standard;
        }
        break;
    case GR_KEY_TEXT:
    case GR_KEY_PART:
        break;
    }
}

void gr_form_defaults(const struct gr_key *keys, void *form)
{
    for (const struct gr_key *key = keys; key->name; key++) {
        set_standard(key, (char *)form + key->offset);
    }
}

/* Names the one, two or three groups in which a key would be right; false where there are none, or more. */
static bool find_homes(const char *name, char *homes, size_t size)
{
    size_t count = 0;
    homes[0] = '\0';
    for (const struct gr_group *group = gr_groups; group->path; group++) {
        const struct gr_key *const tables[] = {group->keys, NULL};
        if (find_key(tables, name)) {
            const char *home = *group->path ? group->path : "the top level";
            size_t used = strlen(homes);
            (void)snprintf(homes + used, size - used, "%s%s", count ? ", or " : "", home);
            count++;
        }
    }
    return count >= 1 && count <= 3;
}

static void refuse_unknown(struct gr_reader *reader, const config_setting_t *setting,
                           const struct gr_key *const *tables)
{
    const char *name = config_setting_name(setting);
    char homes[200];
    const char *nearest = gr_nearest_key(tables, name);
    if (find_homes(name, homes, sizeof homes)) {
        gr_complain(reader, setting, NULL, "this key does not belong here; its place is %s", homes);
    } else if (nearest) {
        gr_complain(reader, setting, NULL, "unknown key; did you mean %s?", nearest);
    } else {
        gr_complain(reader, setting, NULL,
                    "unknown key, and none is spelt nearly so; `granary check --keys` lists all");
    }
}

/* A refused number becomes NAN, so that checks across keys stay silent about it. */
static void read_member(struct gr_reader *reader, const config_setting_t *setting, const struct gr_key *key,
                        void *field)
{
    if (!gr_value_read(reader, setting, key, field) && key->kind == GR_KEY_NUMBER) {
        *(double *)field = NAN;
    }
}

static void read_members(struct gr_reader *reader, const config_setting_t *group,
                         const struct gr_key *const *tables, void *form)
{
    int count = config_setting_length(group);
    for (int i = 0; i < count; i++) {
        const config_setting_t *setting = config_setting_get_elem(group, (unsigned)i);
        const struct gr_key *key = find_key(tables, config_setting_name(setting));
        if (!key) {
            refuse_unknown(reader, setting, tables);
        } else if (key->kind != GR_KEY_PART) {
            read_member(reader, setting, key, (char *)form + key->offset);
        }
    }
}

static void want_required(struct gr_reader *reader, const config_setting_t *group, const struct gr_key *keys)
{
    for (const struct gr_key *key = keys; key->name; key++) {
        if (key->required && key->kind != GR_KEY_PART && !gr_given(group, key->name)) {
            char allowed[200];
            gr_key_allowed(key, allowed, sizeof allowed);
            gr_complain(reader, group, key->name, "missing; needed: %s (%s)", allowed, key->about);
        }
    }
}

void gr_form_read(struct gr_reader *reader, const config_setting_t *group, const struct gr_key *const *tables,
                  void *form)
{
    size_t count = 0;
    while (tables[count]) {
        count++;
    }
    for (size_t i = count; i-- > 0;) { /* of two defaults too that of the first */
        gr_form_defaults(tables[i], form);
    }
    read_members(reader, group, tables, form);
    for (const struct gr_key *const *table = tables; *table; table++) {
        want_required(reader, group, *table);
    }
}

bool gr_given(const config_setting_t *group, const char *name)
{
    return config_setting_get_member(group, name) != NULL;
}

static const config_setting_t *member_of_type(struct gr_reader *reader, const config_setting_t *parent,
                                              const char *name, bool required, bool list)
{
    const char *what = list ? "a list ( { ... }, { ... } )" : "a group { ... }";
    const config_setting_t *member = config_setting_get_member(parent, name);
    if (!member) {
        if (required) {
            gr_complain(reader, parent, name, "missing; needed: %s", what);
        }
        return NULL;
    }
    bool fits = list ? config_setting_is_list(member) : config_setting_is_group(member);
    if (!fits) {
        gr_complain(reader, member, NULL, "found something else; allowed: %s", what);
    }
    return fits ? member : NULL;
}

const config_setting_t *gr_group_member(struct gr_reader *reader, const config_setting_t *parent,
                                        const char *name, bool required)
{
    return member_of_type(reader, parent, name, required, false);
}

const config_setting_t *gr_list_member(struct gr_reader *reader, const config_setting_t *parent,
                                       const char *name, bool required)
{
    return member_of_type(reader, parent, name, required, true);
}
