/* A store in a folder of its own, for tests. */
#ifndef GRANARY_TESTS_STORE_FILE_H
#define GRANARY_TESTS_STORE_FILE_H

#include "granary/store.h"

#include <dirent.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define STORE_NOW 1795597459 /* 2026-11-25T09:04:19Z */

struct store_file {
    char folder[64], file[80];
};

/* 0, or -1 where no folder can be made. */
static inline int store_file_make(struct store_file *at)
{
    (void)snprintf(at->folder, sizeof at->folder, "/tmp/granary-store-XXXXXX");
    if (!mkdtemp(at->folder)) {
        return -1;
    }
    (void)snprintf(at->file, sizeof at->file, "%s/store.db", at->folder);
    return 0;
}

/* The first file in the folder whose name begins so and does not end in "-wal" or "-shm"; "" if there is
 * none. */
static inline void store_file_find(const struct store_file *at, const char *beginning, char out[400])
{
    DIR *folder = opendir(at->folder);
    out[0] = '\0';
    for (struct dirent *entry = NULL; folder && (entry = readdir(folder));) {
        size_t length = strlen(entry->d_name);
        const char *end = length > 4 ? entry->d_name + length - 4 : "";
        if (strncmp(entry->d_name, beginning, strlen(beginning)) == 0 && strcmp(end, "-wal") != 0 &&
            strcmp(end, "-shm") != 0) {
            (void)snprintf(out, 400, "%s/%s", at->folder, entry->d_name);
        }
    }
    if (folder) {
        (void)closedir(folder);
    }
}

/* Removes the folder with all files in it. */
static inline void store_file_remove(const struct store_file *at)
{
    DIR *folder = opendir(at->folder);
    for (struct dirent *entry = NULL; folder && (entry = readdir(folder));) {
        char name[400];
        (void)snprintf(name, sizeof name, "%s/%s", at->folder, entry->d_name);
        if (entry->d_name[0] != '.') {
            (void)unlink(name);
        }
    }
    if (folder) {
        (void)closedir(folder);
    }
    (void)rmdir(at->folder);
}

/* A whole file, to be freed; NULL where it cannot be read. */
static inline unsigned char *store_file_bytes(const char *name, size_t *length)
{
    FILE *file = fopen(name, "rb");
    unsigned char *bytes = NULL;
    *length = 0;
    if (file && fseek(file, 0, SEEK_END) == 0) {
        long size = ftell(file);
        rewind(file);
        bytes = size >= 0 ? malloc((size_t)size + 1) : NULL;
        *length = bytes ? fread(bytes, 1, (size_t)size, file) : 0;
    }
    if (file) {
        (void)fclose(file);
    }
    return bytes;
}

#endif
