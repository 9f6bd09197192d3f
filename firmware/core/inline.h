/* Which functions does the compiler put into their callers?
 *
 * Left to itself it calls the one-line functions of an interrupt, where a call costs more than they do, and melts the
 * main loop into a single function whose variables no longer fit into registers nor into short addresses. */
#ifndef INLINE_H
#define INLINE_H

#define INLINE_ALWAYS static inline __attribute__((always_inline))
#ifdef __clang__
#define INLINE_NEVER __attribute__((noinline))   /* the fuzzer's compiler makes no copies */
#else
#define INLINE_NEVER __attribute__((noinline, noclone))
#endif

/* Where a function is put into its caller: forgets at which address the pointer's target lies.  A member beside a pointer
 * takes two bytes to reach, one at a known address four. */
#define INLINE_POINTER(pointer) __asm__("" : "+r"(pointer))

#endif
