#include "edge_queue.h"

#include <stdlib.h>

static void sift_down(struct edge_queue *queue, size_t at)
{
    for (;;) {
        size_t least = at;
        for (size_t child = 2 * at + 1; child <= 2 * at + 2; child++) {
            if (child < queue->count && queue->heap[child].cycle < queue->heap[least].cycle) { least = child; }
        }
        if (least == at) { return; }
        const struct edge swapped = queue->heap[at];
        queue->heap[at] = queue->heap[least];
        queue->heap[least] = swapped;
        at = least;
    }
}

void edge_queue_push(struct edge_queue *queue, struct edge edge)
{
    if (queue->count == queue->room) {
        queue->room = queue->room ? 2 * queue->room : 256;
        queue->heap = realloc(queue->heap, queue->room * sizeof *queue->heap);
        if (queue->heap == NULL) { abort(); }
    }
    size_t at = queue->count++;
    while (at > 0 && edge.cycle < queue->heap[(at - 1) / 2].cycle) {
        queue->heap[at] = queue->heap[(at - 1) / 2];
        at = (at - 1) / 2;
    }
    queue->heap[at] = edge;
}

struct edge edge_queue_pop(struct edge_queue *queue)
{
    const struct edge first = queue->heap[0];
    queue->heap[0] = queue->heap[--queue->count];
    sift_down(queue, 0);
    return first;
}
