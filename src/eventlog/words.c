#include "eventlog/parts.h"

#include <inttypes.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

bool gr_words_take(struct gr_words *words, char *out, size_t size)
{
    words->at += strspn(words->at, " ");
    size_t length = strcspn(words->at, " ");
    if (length == 0 || length >= size) {
        return false;
    }
    memcpy(out, words->at, length);
    out[length] = '\0';
    words->at += length;
    return true;
}

bool gr_words_number(struct gr_words *words, double *out)
{
    char word[40], *end;
    if (!gr_words_take(words, word, sizeof word)) {
        return false;
    }
    *out = strtod(word, &end);
    return end != word && *end == '\0';
}

bool gr_words_whole(struct gr_words *words, int64_t least, int64_t greatest, int64_t *out)
{
    char word[24], *end;
    if (!gr_words_take(words, word, sizeof word)) {
        return false;
    }
    long long value = strtoll(word, &end, 10);
    *out = value;
    return end != word && *end == '\0' && value >= least && value <= greatest;
}

bool gr_words_text(struct gr_words *words, char *out, size_t size)
{
    size_t length = 0;
    words->at += strspn(words->at, " ");
    if (*words->at != '"') {
        return false;
    }
    for (words->at++; *words->at != '"'; words->at++) {
        words->at += *words->at == '\\';
        if (!*words->at || length + 1 >= size) {
            return false;
        }
        out[length++] = *words->at;
    }
    words->at++;
    out[length] = '\0';
    return true;
}

bool gr_words_end(const struct gr_words *words)
{
    return words->at[strspn(words->at, " ")] == '\0';
}

void gr_eventlog_write_text(FILE *stream, const char *text)
{
    (void)fputs(" \"", stream);
    for (; *text; text++) {
        if (*text == '"' || *text == '\\') {
            (void)fputc('\\', stream);
        }
        (void)fputc(*text == '\n' ? ' ' : *text, stream);
    }
    (void)fputc('"', stream);
}

bool gr_words_moment(struct gr_words *words, struct gr_moment *out)
{
    static const int64_t greatest_s = INT64_C(1) << 40, greatest_ms = INT64_C(1) << 50;
    int64_t synchronised;
    bool good = gr_words_whole(words, -greatest_s, greatest_s, &out->utc_s) &&
                gr_words_whole(words, -greatest_ms, greatest_ms, &out->mono_ms) &&
                gr_words_whole(words, 0, 1, &synchronised);
    out->synchronised = good && synchronised == 1;
    return good;
}

void gr_eventlog_write_moment(FILE *stream, const struct gr_moment *moment)
{
    (void)fprintf(stream, " %" PRId64 " %" PRId64 " %d", moment->utc_s, moment->mono_ms,
                  moment->synchronised);
}

bool gr_words_direction(struct gr_words *words, enum gr_direction *out)
{
    char word[8];
    if (!gr_words_take(words, word, sizeof word)) {
        return false;
    }
    *out = gr_direction_named(word);
    return *out != GR_DIRECTIONS;
}

uint64_t gr_eventlog_sum(const void *bytes, size_t length)
{
    const unsigned char *byte = bytes;
    uint64_t sum = UINT64_C(0xcbf29ce484222325);
    for (size_t i = 0; i < length; i++) {
        sum = (sum ^ byte[i]) * UINT64_C(0x100000001b3);
    }
    return sum;
}
