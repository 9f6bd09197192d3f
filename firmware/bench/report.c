#include "report.h"

static unsigned long long ull(uint64_t number)
{
    return number;
}

void report_write_json(const struct board *b, FILE *out)
{
    const avr_t *avr = b->chip.avr;
    fprintf(out, "{\"mcu\":\"%s\",\"cycle\":%llu,\"seconds\":%.9f,\"counter_zero_cycle\":%llu,\"boot_until_cycle\":%llu,"
            "\"resets\":{\"power\":%u,\"pin\":%u,\"watchdog\":%u},\"faults\":%u,\"stack_low\":%u,\"asleep\":%s,",
            b->chip.kind->mcu, ull(avr->cycle), pace_now_s(&b->pace, avr->cycle), ull(counter_zero_cycle(&b->counters[0], avr->cycle)),
            ull(b->chip.boot_until_cycle), b->chip.resets_power, b->chip.resets_pin, b->chip.resets_watchdog,
            b->chip.faults, b->chip.isr.stack_low, avr->state == cpu_Sleeping ? "true" : "false");
    fprintf(out, "\"edges\":{\"injected\":[%llu,%llu,%llu],\"overtaken\":[%llu,%llu,%llu],"
            "\"ignored\":%llu,\"late\":%llu,\"bad_lines\":%llu},",
            ull(b->edges.injected[0]), ull(b->edges.injected[1]), ull(b->edges.injected[2]),
            ull(b->pins.pin[0].overtaken), ull(b->pins.pin[1].overtaken), ull(b->pins.pin[2].overtaken),
            ull(b->edges.ignored), ull(b->edges.late), ull(b->edges.bad_lines));
    fprintf(out, "\"uart\":{\"bit_cycles\":%u,\"sent\":%llu,\"received\":%llu,\"overrun\":%llu,"
            "\"ignored_writes\":%llu},",
            uart_bit_cycles(&b->uart), ull(b->uart.bytes_sent), ull(b->uart.bytes_received),
            ull(b->uart.bytes_overrun), ull(b->uart.writes_ignored));
    fprintf(out, "\"port\":{\"open\":%s,\"opens\":%llu,\"baud\":%u,\"lost\":%llu,\"unheard\":%llu,"
            "\"garbled_to_host\":%llu,\"garbled_to_board\":%llu},",
            b->pty.open ? "true" : "false", ull(b->pty.opens), pty_baud(&b->pty), ull(b->pty.bytes_lost),
            ull(b->pty.bytes_unheard), ull(b->line.garbled_to_host), ull(b->line.garbled_to_board));
    fprintf(out, "\"eeprom_writes\":%llu,\"behind_s\":%.6f,\"longest_blocked_cycles\":%llu,"
            "\"blocked_end_pc\":%llu,\"isr\":",
            ull(b->eeprom.writes), b->pace.latest_s, ull(b->chip.isr.longest_blocked_cycles),
            ull(b->chip.isr.longest_blocked_end_pc));
    isr_write_json(&b->chip.isr, out);
    fputs("}", out);
}
