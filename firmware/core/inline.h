/* Which functions does the compiler put into their callers?
 *
 * Left to itself it calls the one-line functions of an interrupt, where a call costs more than they do, and melts the
 * main loop into a single function whose variables no longer fit into registers nor into short addresses. */
#ifndef INLINE_H
#define INLINE_H

#define INLINE_ALWAYS static inline __attribute__((always_inline))
#define INLINE_NEVER __attribute__((noinline, unused))
#define INLINE_NOT_COPIED __attribute__((noinline, noclone, unused))   /* nor made anew for a caller's constants */

#endif
