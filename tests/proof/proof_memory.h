#ifndef PROOF_MEMORY_H
#define PROOF_MEMORY_H

/*
 * memset and friends in WP's typed memory: it knows objects of a type, not
 * bytes. In the gate memset always zeroes one whole object and memcpy always
 * copies whole arrays of char; both are said so here. A use of another shape
 * does not parse. This replacement is taken on trust, not proved.
 */
#include <stddef.h>
#include <string.h>

/*@ requires \valid(to + (0 .. n - 1)) && \valid_read(from + (0 .. n - 1));
  @ requires \separated(to + (0 .. n - 1), from + (0 .. n - 1));
  @ assigns to[0 .. n - 1];
  @*/
void proof_copy(char *to, const char *from, size_t n);

/*@ requires \valid_read(a + (0 .. n - 1)) && \valid_read(b + (0 .. n - 1));
  @ assigns \nothing;
  @*/
int proof_compare(const char *a, const char *b, size_t n);

#define memset(object, zero, size) (*(object) = (__typeof__(*(object))){ 0 })
#define memcpy(to, from, size)     proof_copy(to, from, size)
#define memcmp(a, b, size)         proof_compare(a, b, size)

#endif
