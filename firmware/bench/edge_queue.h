/* Of the edges told so far, which comes first?  A heap, the soonest on top. */
#ifndef BENCH_EDGE_QUEUE_H
#define BENCH_EDGE_QUEUE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

struct edge { uint64_t cycle; uint8_t index; bool level; };

struct edge_queue { struct edge *heap; size_t count, room; };

void edge_queue_push(struct edge_queue *queue, struct edge edge);
struct edge edge_queue_pop(struct edge_queue *queue);      /* the queue may not be empty */
#endif
