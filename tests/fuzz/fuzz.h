/* What a fuzz target is: one function that libFuzzer (by libfuzzer.c), or plain.c over a folder of inputs,
 * calls. */
#ifndef GRANARY_TESTS_FUZZ_H
#define GRANARY_TESTS_FUZZ_H

#include "granary/error.h"
#include "granary/zone.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/* Reads the input as the programs do. True where it was taken to its end as a good one. */
bool fuzz_take(const uint8_t *data, size_t size);

#endif
