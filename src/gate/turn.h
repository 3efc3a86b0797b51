#ifndef HG_GATE_TURN_H
#define HG_GATE_TURN_H

/*
 * What the files of the gate share: the turn (one call of hg_gate_step) and
 * the verbs they offer each other. Private to src/gate. Everything here is
 * pure on the turn: it changes turn->state and appends to turn->effects.
 */
#include "heatgate/gate.h"

struct hg_turn {
    const struct hg_policy *policy;
    struct hg_gate_state *state;
    const struct hg_event *event;
    struct hg_effects *effects;
    struct hg_tick at;
    bool has_revoked; /* in this turn: then no permit leaves in it */
};

/* lockouts that latch, gate.md section 4, and the one set by a person */
#define HG_LOCKOUT_SET                                                         \
    (HG_WHY_BIT(HG_WHY_OVER_TEMPERATURE) | HG_WHY_BIT(HG_WHY_NO_RISE) |        \
     HG_WHY_BIT(HG_WHY_HEATER_UNBIDDEN) | HG_WHY_BIT(HG_WHY_RIVAL_GATEWAY) |   \
     HG_WHY_BIT(HG_WHY_SENSOR_FAULT) | HG_WHY_BIT(HG_WHY_LOCKED_OUT))

/* effects.c */

/* Append a zeroed effect of that kind; the entry is valid until the next. */
struct hg_effect *hg_turn_put(struct hg_turn *turn, enum hg_effect_kind kind);
/* Append a record about the present event's asker. */
struct hg_effect *hg_turn_record(struct hg_turn *turn, enum hg_record record,
                                 enum hg_why why);
/* Append a notice that goes with a record or a reason. */
void hg_turn_notice(struct hg_turn *turn, enum hg_level level,
                    enum hg_record record, enum hg_why why);
/* Say once that the outside view changed. */
void hg_turn_changed(struct hg_turn *turn);
/* Answer a request; nothing when it is 0. */
struct hg_effect *hg_turn_answer(struct hg_turn *turn, uint64_t request,
                                 enum hg_verdict verdict, hg_why_set reasons);
/* Take the permit back: first effect, newest serial; at most one a turn. */
void hg_turn_revoke(struct hg_turn *turn, enum hg_why why);
/* The next serial; 0 when they are used up (then nothing may be granted). */
uint64_t hg_turn_serial(struct hg_turn *turn);
/* Make the epoch at least this and serials start above it; durable. */
void hg_turn_raise_epoch(struct hg_turn *turn, uint64_t epoch);

/* words.c */

bool hg_actor_equal(const struct hg_actor *a, const struct hg_actor *b);
bool hg_actor_is_staff(const struct hg_actor *actor);
bool hg_boot_equal(const char a[HG_BOOT_BYTES], const char b[HG_BOOT_BYTES]);
struct hg_actor hg_actor_gateway(void);
struct hg_actor hg_actor_controller(void);
/* The longest session: the configured cap, never above the class cap. */
uint64_t hg_policy_cap_ms(const struct hg_policy *policy);

/* conditions.c */

/* What a running heat needs at every moment, for this asker. */
hg_why_set hg_gate_standing(const struct hg_policy *policy,
                            const struct hg_gate_state *state,
                            struct hg_tick at, const struct hg_asker *asker);
/* What a start needs beyond that. */
hg_why_set hg_gate_unmet(const struct hg_policy *policy,
                         const struct hg_gate_state *state, struct hg_tick at,
                         const struct hg_asker *asker, int32_t target_mc,
                         uint64_t duration_ms);
/* Target and duration alone. */
hg_why_set hg_gate_out_of_limits(const struct hg_policy *policy,
                                 int32_t target_mc, uint64_t duration_ms);
/* Is the stay of this asker on at that wall time? No stay: always. */
hg_why_set hg_gate_stay_unmet(const struct hg_asker *asker,
                              struct hg_wall wall);
/* Is this reading's element power or heater report "on"? */
bool hg_reading_is_on(const struct hg_policy *policy,
                      const struct hg_reading *reading);

/* -- stream.c: freshness, boots, lateness, the door ---------------------------
 */

void hg_stream_take(struct hg_turn *turn);       /* HG_EVENT_TELEMETRY */
void hg_stream_take_local(struct hg_turn *turn); /* HG_EVENT_LOCAL */
/* Data can no longer be relied on: nothing is fresh, the door is unknown. */
void hg_stream_lose(struct hg_turn *turn, enum hg_why why);

/* -- check.c: the room check and its evidence
 * ----------------------------------- */

void hg_check_open(struct hg_turn *turn);
void hg_check_sign(struct hg_turn *turn);
void hg_check_void(struct hg_turn *turn, enum hg_why why);
/* Unknown for a while: void, unless the door counter proves it unbroken. */
void hg_check_suspend(struct hg_turn *turn, enum hg_why why);
/* A fresh reading is there: end a suspension one way or the other. */
void hg_check_resume(struct hg_turn *turn);
void hg_check_expire(struct hg_turn *turn);
void hg_check_forget_actor(struct hg_turn *turn, const struct hg_actor *actor);
bool hg_check_has_evidence(const struct hg_policy *policy,
                           const struct hg_gate_state *state,
                           struct hg_mono now, bool is_place_code_right);

/* -- session.c: heat, from grant to end
 * ------------------------------------------ */

void hg_session_start(struct hg_turn *turn);
void hg_session_change(struct hg_turn *turn);
void hg_session_stop(struct hg_turn *turn);
void hg_session_commit(struct hg_turn *turn);
/* Ask for the record of a grant; the check is used up by it. */
void hg_session_grant(struct hg_turn *turn, const struct hg_asker *by,
                      const char heat_id[HG_ID_BYTES], int32_t target_mc,
                      uint64_t duration_ms);
void hg_session_end(struct hg_turn *turn, enum hg_why why,
                    const struct hg_actor *actor);
/* A grant that waits for its record shall not take effect. */
void hg_session_cancel_pending(struct hg_turn *turn, hg_why_set reasons);
/* The door was learned to have opened. */
void hg_session_door_opened(struct hg_turn *turn);
void hg_session_advance(struct hg_turn *turn);   /* what time alone ends */
void hg_session_end_unmet(struct hg_turn *turn); /* what conditions end */
/* Resume or renew, if everything holds and nothing was revoked this turn. */
void hg_session_lend(struct hg_turn *turn);

/* -- watch.c: lockouts and what makes them latch
 * ---------------------------------- */

void hg_watch_latch(struct hg_turn *turn, enum hg_why why,
                    const struct hg_actor *actor);
/* Judge a fresh reading against the one before it (NULL: none to compare). */
void hg_watch_reading(struct hg_turn *turn, const struct hg_reading *reading,
                      const struct hg_reading *before, uint64_t dt_ms);
void hg_watch_advance(struct hg_turn *turn);
/* Heat from the panel is over: from now on the heater has to be off. */
void hg_watch_end_local(struct hg_turn *turn);
void hg_watch_set(struct hg_turn *turn);
void hg_watch_clear(struct hg_turn *turn);
void hg_watch_foreign_permit(struct hg_turn *turn);

/* -- plan.c
 * ---------------------------------------------------------------------- */

void hg_plan_take(struct hg_turn *turn);
void hg_plan_cancel(struct hg_turn *turn);
void hg_plan_move(struct hg_turn *turn);
void hg_plan_drop(struct hg_turn *turn, enum hg_why why);
void hg_plan_settle(struct hg_turn *turn);

#endif
