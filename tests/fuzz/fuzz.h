/* How does a fuzzer's input become settings, and how is a finding told?  For the programs beside it. */
#ifndef FUZZ_H
#define FUZZ_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "slots.h"
#include "frame.h"

static inline void require(bool true_of_it, const char *what)
{
    if (!true_of_it) {
        (void)fprintf(stderr, "fuzz: %s\n", what);
        abort();
    }
}

/* What is left of the input; zeros once it is used up. */
struct input {
    const uint8_t *at;
    size_t left;
};

static inline uint8_t input_u8(struct input *input)
{
    if (input->left == 0u) {
        return 0;
    }
    input->left--;
    return *input->at++;
}

static inline uint16_t input_u16(struct input *input)
{
    const uint8_t low = input_u8(input);

    return (uint16_t)(low | (uint16_t)(input_u8(input) << 8));
}

static inline uint32_t input_u32(struct input *input)
{
    const uint16_t low = input_u16(input);

    return low | (uint32_t)input_u16(input) << 16;
}

/* From `least` to `most`, often one of them: a byte chooses. */
static inline uint32_t input_range(struct input *input, uint32_t least, uint32_t most)
{
    switch (input_u8(input) % 8u) {
    case 0:
        return least;
    case 1:
        return most;
    case 2:
        return least + (uint32_t)(input_u8(input) % ((uint64_t)(most - least) + 1u));
    default:
        return least + (uint32_t)(input_u32(input) % ((uint64_t)(most - least) + 1u));
    }
}

/* Settings that a board may not refuse, as they stand on the line; every one there is can come. */
static inline void input_settings(struct input *input, uint8_t bytes[CONFIG_LENGTH])
{
    struct config config;
    uint16_t angles[CONFIG_ANGLES_MAX] = { 0 };
    uint8_t at;

    config_reset(&config);
    config.board_id = input_u32(input);
    config.baud = input_u8(input) & 1u;
    for (at = 0; at < WIRE_INPUTS; at++) {
        config.mode[at] = input_u8(input) & CONFIG_MODE_ALL;
    }
    config.flood_edges = (uint8_t)input_range(input, CONFIG_FLOOD_EDGES_MIN, CONFIG_FLOOD_EDGES_MAX);
    config.mask_ms = (uint8_t)input_range(input, CONFIG_MASK_MS_MIN, CONFIG_MASK_MS_MAX);
    config.unit = input_u8(input) & 1u;
    config.wheel_input = input_u8(input) % (WIRE_INPUTS + 1u);
    config.fast_input = input_u8(input) % (WIRE_INPUTS + 1u);
    if (config.wheel_input == config.fast_input) {
        config.fast_input = 0;
    }
    config.wheel_targets = (uint8_t)input_range(input, config.wheel_input != 0u, CONFIG_TARGETS_MAX);
    config.fast_targets = (uint8_t)input_range(input, config.fast_input != 0u, CONFIG_TARGETS_MAX);
    if (config.wheel_input != 0u) {
        config.mode[config.wheel_input - 1u] |= CONFIG_MODE_ENABLED;
    }
    if (config.fast_input != 0u) {
        config.mode[config.fast_input - 1u] |= CONFIG_MODE_ENABLED;
    }
    if ((input_u8(input) & 7u) != 0u) {
        config.circumference_um = input_range(input, CONFIG_CIRCUMFERENCE_MIN_UM, CONFIG_CIRCUMFERENCE_MAX_UM);
    }
    config.clock_ppb = (int32_t)input_range(input, 0, 2u * CONFIG_CLOCK_PPB_MAX) - CONFIG_CLOCK_PPB_MAX;
    config.clock_u95_ppb = input_range(input, 0, UINT32_MAX);
    config.clock_day = input_u16(input);
    config.settings_day = input_u16(input);
    for (at = 0; at < 4u; at++) {
        config.ratio_millionths[at] = input_range(input, 0, UINT32_MAX);
    }
    config.fastest_mm_per_min = input_range(input, 0, UINT32_MAX);
    if (config.fastest_mm_per_min != 1u) {
        config.slowest_mm_per_min = input_range(input, 0, config.fastest_mm_per_min - 1u);
    }
    config.slip_limit_hundredths = (uint16_t)input_range(input, 0, CONFIG_SLIP_LIMIT_MAX);
    if ((input_u8(input) & 1u) != 0u && config.wheel_targets != 0u) {
        const uint16_t most = (uint16_t)(65535u / config.wheel_targets);

        config.angles = config.wheel_targets;
        for (at = 1; at < config.angles; at++) {
            angles[at] = (uint16_t)(angles[at - 1u] + 1u + input_u16(input) % most);
        }
    }
    memcpy(bytes, &config, sizeof config);
    memcpy(bytes + sizeof config, angles, sizeof angles);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

/* Without a fuzzer: the files named on the command line are replayed. */
#ifdef REPLAY
int main(int count, char **names)
{
    static uint8_t data[1u << 16];
    int at;

    for (at = 1; at < count; at++) {
        FILE *file = fopen(names[at], "rb");
        size_t size;

        require(file != NULL, names[at]);
        size = fread(data, 1, sizeof data, file);
        (void)fclose(file);
        (void)LLVMFuzzerTestOneInput(data, size);
    }
    (void)printf("%d inputs\n", count - 1);
    return 0;
}
#endif

#endif
