#include "config/form.h"

#include <ctype.h>
#include <string.h>
#include <strings.h>

#define MOST_LETTERS 64

static size_t smaller(size_t a, size_t b)
{
    return a < b ? a : b;
}

/* Edit distance with insertion, deletion and replacement (V. I. Levenshtein 1966), without regard to case. */
static size_t edit_distance(const char *a, const char *b)
{
    size_t row[MOST_LETTERS + 1];
    size_t width = strlen(b);
    if (width > MOST_LETTERS) {
        return MOST_LETTERS;
    }
    for (size_t j = 0; j <= width; j++) {
        row[j] = j;
    }
    for (size_t i = 1; a[i - 1]; i++) {
        size_t diagonal = row[0];
        row[0] = i;
        for (size_t j = 1; j <= width; j++) {
            size_t above = row[j];
            int same = tolower((unsigned char)a[i - 1]) == tolower((unsigned char)b[j - 1]);
            row[j] = smaller(diagonal + (same ? 0 : 1), smaller(above, row[j - 1]) + 1);
            diagonal = above;
        }
    }
    return row[width];
}

/* Also near is a name without its unit: "capacity" for "capacity_kwh". */
static size_t name_distance(const char *found, const char *known)
{
    size_t length = strlen(found);
    if (length >= 4 && strncasecmp(found, known, length) == 0 && known[length] == '_') {
        return 1;
    }
    return edit_distance(found, known);
}

/* A third of the letters: names of one or two letters may differ in case alone. */
static size_t greatest_distance(const char *name)
{
    return strlen(name) / 3;
}

const char *gr_nearest_key(const struct gr_key *const *tables, const char *name)
{
    const char *nearest = NULL;
    size_t least = greatest_distance(name) + 1;
    for (; *tables; tables++) {
        for (const struct gr_key *key = *tables; key->name; key++) {
            size_t distance = name_distance(name, key->name);
            if (distance < least) {
                least = distance;
                nearest = key->name;
            }
        }
    }
    return nearest;
}

const char *gr_nearest_word(const struct gr_word *words, const char *name)
{
    const char *nearest = NULL;
    size_t least = greatest_distance(name) + 1;
    for (; words->word; words++) {
        size_t distance = edit_distance(name, words->word);
        if (distance < least) {
            least = distance;
            nearest = words->word;
        }
    }
    return nearest;
}
