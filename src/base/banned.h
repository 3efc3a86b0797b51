#ifndef HG_BASE_BANNED_H
#define HG_BASE_BANNED_H

/*
 * Calls that have a safer twin here, and clock reads outside
 * src/service/clock.c. tests/check-sources looks for them by name; this list
 * is the reason for each.
 *
 *   strcpy strcat sprintf vsprintf gets   no bound: hg_buf, hg_text_copy
 *   strncpy strncat                       cut or pad silently: hg_text_copy
 *   atoi atol atof strtok                 no error: hg_text_to_u64
 *   alloca                                unbounded stack
 *   time gettimeofday clock_gettime       one reader: src/service/clock.c
 *                                         (programs for people, the simulator
 *                                         and the journal's syncer excepted)
 *   rand srand random                     not for secrets: RAND_bytes
 *   system popen                          no shell
 */

#endif
