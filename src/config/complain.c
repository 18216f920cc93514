#include "bridge/text.h"
#include "config/form.h"

#include <stdarg.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

void gr_complaints_free(struct gr_complaints *complaints)
{
    free(complaints->items);
    *complaints = (struct gr_complaints){0};
}

void gr_complaints_print(FILE *stream, const struct gr_complaints *complaints)
{
    for (size_t i = 0; i < complaints->count; i++) {
        (void)fprintf(stream, "%s\n", complaints->items[i].text);
    }
}

static struct gr_complaint *add_complaint(struct gr_reader *reader)
{
    struct gr_complaints *all = reader->complaints;
    struct gr_complaint *items = realloc(all->items, (all->count + 1) * sizeof *items);
    if (!items) {
        reader->out_of_memory = true;
        return NULL;
    }
    all->items = items;
    all->items[all->count].text[0] = '\0';
    return &all->items[all->count++];
}

/* A long path keeps its end: the message behind it matters more. */
static const char *short_file(const char *file)
{
    size_t length = strlen(file);
    return length > 100 ? file + length - 100 : file;
}

static void write_complaint(struct gr_reader *reader, const char *file, unsigned line, const char *path,
                            const char *format, va_list arguments) __attribute__((format(printf, 5, 0)));

static void write_complaint(struct gr_reader *reader, const char *file, unsigned line, const char *path,
                            const char *format, va_list arguments)
{
    struct gr_complaint *complaint = add_complaint(reader);
    if (!complaint) {
        return;
    }
    size_t size = sizeof complaint->text;
    int used = line ? snprintf(complaint->text, size, "%s:%u: ", short_file(file), line)
                    : snprintf(complaint->text, size, "%s: ", short_file(file));
    if (path && *path) {
        used += snprintf(complaint->text + used, size - (size_t)used, "%s: ", path);
    }
    (void)vsnprintf(complaint->text + used, size - (size_t)used, format, arguments);
}

void gr_complain_at(struct gr_reader *reader, const char *file, unsigned line, const char *format, ...)
{
    va_list arguments;
    va_start(arguments, format);
    write_complaint(reader, file, line, NULL, format, arguments);
    va_end(arguments);
}

void gr_complain(struct gr_reader *reader, const config_setting_t *setting, const char *member,
                 const char *format, ...)
{
    const config_setting_t *place = member ? config_setting_get_member(setting, member) : NULL;
    char path[GR_SETTING_PATH_SIZE];
    gr_setting_path(place ? place : setting, path);
    if (member && !place) {
        size_t used = strlen(path);
        (void)snprintf(path + used, sizeof path - used, "%s%s", used ? "." : "", member);
    }
    place = place ? place : setting;
    const char *file = config_setting_source_file(place);
    va_list arguments;
    va_start(arguments, format);
    write_complaint(reader, file ? file : reader->file, config_setting_source_line(place), path, format,
                    arguments);
    va_end(arguments);
}

void gr_setting_path(const config_setting_t *setting, char out[GR_SETTING_PATH_SIZE])
{
    out[0] = '\0';
    const config_setting_t *chain[16];
    size_t depth = 0;
    for (; config_setting_parent(setting) && depth < 16; setting = config_setting_parent(setting)) {
        chain[depth++] = setting;
    }
    for (size_t used = 0; depth > 0 && used < GR_SETTING_PATH_SIZE; used = strlen(out)) {
        const config_setting_t *at = chain[--depth];
        const char *name = config_setting_name(at);
        size_t left = GR_SETTING_PATH_SIZE - used;
        if (name) {
            (void)snprintf(out + used, left, "%s%s", used ? "." : "", name);
        } else {
            (void)snprintf(out + used, left, "[%d]", config_setting_index(at));
        }
    }
}

char *gr_quote(char *out, size_t size, const char *text)
{
    bool utf8 = gr_utf8_valid(text, strlen(text));
    size_t used = 0;
    out[used++] = '"';
    for (; *text; text++) {
        unsigned char byte = (unsigned char)*text;
        bool inside_letter = utf8 && (byte & 0xc0) == 0x80;
        if (used + 12 > size && !inside_letter) {
            break;
        }
        if (byte < 0x20 || byte == 0x7f || (byte >= 0x80 && !utf8)) {
            used += (size_t)snprintf(out + used, size - used, "\\x%02x", byte);
        } else {
            out[used++] = (char)byte;
        }
    }
    (void)snprintf(out + used, size - used, "%s", *text ? "...\"" : "\"");
    return out;
}
