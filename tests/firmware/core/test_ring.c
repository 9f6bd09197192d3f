/* Does a ring keep every edge in order, and count exactly those that it drops? */
#include "report.h"
#include "ring.h"

static struct ring ring;

static void put(uint32_t edge)
{
    ring_put(&ring, (uint16_t)edge, (uint8_t)(edge >> 16));
}

static uint32_t take(void)
{
    const uint32_t edge = ring_short_at(&ring, ring.tail);

    ring.tail = ring_next(ring.tail);
    return edge;
}

/* From every position: fill, overfill, empty, open. */
static void overfill_at(uint8_t start, uint16_t too_many)
{
    uint16_t n;

    ring.head = ring.tail = (uint8_t)(start * RING_SLOT_BYTES);
    for (n = 0; n < RING_SLOTS - 1u; n++) {
        CHECK(ring_bytes_used(&ring, ring.head) == n * RING_SLOT_BYTES);
        put(0x00FF00ul + n);
        CHECK(ring.closed == 0u);
        CHECK(ring_short_at(&ring, ring_before(ring.head)) == 0x00FF00ul + n);
    }
    for (n = 1; n <= too_many; n++) {
        put(0xABCDEFul);
        CHECK(ring.closed != 0u);
        CHECK(ring.dropped == n);
    }
    CHECK(ring_bytes_used(&ring, ring.head) == (RING_SLOTS - 1u) * RING_SLOT_BYTES);
    for (n = 0; n < RING_SLOTS - 1u; n++) {
        CHECK(take() == 0x00FF00ul + n);
        put(0);                                  /* it stays closed though there is room */
    }
    CHECK(ring.head == ring.tail);
    CHECK(ring.dropped == too_many + RING_SLOTS - 1u);
    ring.closed = 0;
    ring.dropped = 0;
    put(0x123456ul);
    CHECK(take() == 0x123456ul);
}

void test(void)
{
    static const uint32_t edges[] = { 0, 1, 0xFFul, 0x100ul, 0xFFFFul, 0x10000ul, 0x7FFFFFul, 0x800000ul, 0xFFFFFFul };
    uint8_t n;

    for (n = 0; n < sizeof edges / sizeof edges[0]; n++) {
        put(edges[n]);
        CHECK(take() == edges[n]);
    }
    for (n = 0; n < RING_SLOTS; n++) {
        overfill_at(n, (uint16_t)(n + 1u));
    }
    overfill_at(0, 60000u);                      /* more than a flood can make before it is masked */
}
