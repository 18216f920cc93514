/* What a fuzz target is: one function that libFuzzer, or plain.c over a folder of inputs, calls. */
#ifndef GRANARY_TESTS_FUZZ_H
#define GRANARY_TESTS_FUZZ_H

#include "granary/error.h"
#include "granary/zone.h"

#include <stddef.h>
#include <stdint.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

#endif
