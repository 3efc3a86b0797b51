/* The table of methods: the contract's section 2, row by row. */
#include "api/methods.h"
#include "base/text.h"
#include <string.h>

#define BIT(role)  (1u << HG_ROLE_##role)
#define STAFF      (BIT(MANAGER) | BIT(OWNER))
#define ASKERS     (BIT(GUEST) | BIT(INTEGRATOR) | STAFF)
#define ON_SITE    (BIT(GUEST) | BIT(CARETAKER) | STAFF)
#define EVERYBODY  (ASKERS | BIT(CARETAKER))
#define OWNER_ONLY BIT(OWNER)

#define YES true
#define NO  false

/* What the room allows is for the gate to say (target-out-of-range,
 * duration-over-cap); here only what cannot be meant. */
#define ROOM(req)                                                              \
    {                                                                          \
        "room", HG_PARAM_ROOM, req, 0, 0, NULL                                 \
    }
#define ROOMS                                                                  \
    {                                                                          \
        "rooms", HG_PARAM_ROOMS, YES, 1, 64, NULL                              \
    }
#define TARGET(req)                                                            \
    {                                                                          \
        "target_c", HG_PARAM_CELSIUS, req, -273, 1000, NULL                    \
    }
#define DURATION(req)                                                          \
    {                                                                          \
        "duration_min", HG_PARAM_WHOLE, req, 1, 527040, NULL                   \
    }
#define TIME(n, req)                                                           \
    {                                                                          \
        n, HG_PARAM_TIME, req, 0, 0, NULL                                      \
    }
#define TEXT(n, req, max)                                                      \
    {                                                                          \
        n, HG_PARAM_TEXT, req, 1, max, NULL                                    \
    }
#define NOTE(n, req, max)                                                      \
    {                                                                          \
        n, HG_PARAM_NOTE, req, 1, max, NULL                                    \
    }

static const char *const commission_kinds[] = { "full", "proof", NULL };
static const char *const outputs[] = { "light", "fan", NULL };
static const char *const staff_roles[] = { "manager", "integrator", "caretaker",
                                           NULL };

/* M(method, name, roles, admin only, need, params...) */
#define M(method, name, roles, admin, need, ...)                               \
    [HG_METHOD_##                                                              \
        method] = { HG_METHOD_##method,     name,           roles, admin,      \
                    HG_METHOD_NEEDS_##need, { __VA_ARGS__ } }
#define NO_PARAMS                                                              \
    {                                                                          \
        NULL, HG_PARAM_NONE, NO, 0, 0, NULL                                    \
    }

static const struct hg_method_row table[HG_METHOD_COUNT] = {
    M(HELLO, "hello", EVERYBODY, NO, ONE, TEXT("code", NO, 64),
      TEXT("token", NO, 256)),

    M(ROOM_LIST, "room.list", EVERYBODY, NO, NONE, NO_PARAMS),
    M(ROOM_STATE, "room.state", EVERYBODY, NO, NONE, ROOM(YES)),
    M(ROOM_WATCH, "room.watch", EVERYBODY, NO, NONE, ROOM(YES)),
    M(ROOM_UNWATCH, "room.unwatch", EVERYBODY, NO, NONE, ROOM(YES)),

    M(CHECK_OPEN, "check.open", ON_SITE, NO, NONE, ROOM(YES)),
    M(CHECK_SIGN, "check.sign", ON_SITE, NO, NONE, TEXT("check", YES, 64),
      { "agreed", HG_PARAM_TEXTS, YES, 0, 16, NULL },
      TEXT("place_code", NO, 64)),

    M(HEAT_PREVIEW, "heat.preview", ASKERS, NO, NONE, ROOM(YES), TARGET(NO),
      DURATION(NO), TIME("ready_at", NO)),
    M(HEAT_START, "heat.start", ASKERS, NO, NONE, ROOM(YES), TARGET(YES),
      DURATION(YES)),
    M(HEAT_CHANGE, "heat.change", ASKERS, NO, ANY, ROOM(YES), TARGET(NO),
      DURATION(NO)),
    M(HEAT_STOP, "heat.stop", EVERYBODY, NO, NONE, ROOM(YES)),
    M(HEAT_PLAN, "heat.plan", ASKERS, NO, NONE, ROOM(YES), TARGET(YES),
      TIME("ready_at", YES), DURATION(YES)),
    M(HEAT_UNPLAN, "heat.unplan", ASKERS, NO, NONE, ROOM(YES)),

    M(OUTPUT_SET, "output.set", ASKERS, NO, NONE, ROOM(YES),
      { "output", HG_PARAM_WORD, YES, 0, 0, outputs },
      { "on", HG_PARAM_FLAG, YES, 0, 0, NULL }),

    /* "uid": 64 hex digits; a stay of a calendar that is known is moved */
    M(GUEST_ISSUE, "guest.issue", STAFF, NO, NONE, ROOMS, TIME("from", YES),
      TIME("until", YES), TEXT("label", NO, 80), TEXT("uid", NO, 64)),
    M(GUEST_ROTATE, "guest.rotate", STAFF, NO, NONE, ROOMS, TIME("from", YES),
      TIME("until", YES), TEXT("label", NO, 80)),
    M(GUEST_REVOKE, "guest.revoke", STAFF, NO, NONE, TEXT("id", YES, 64)),
    M(GUEST_LIST, "guest.list", STAFF, NO, NONE, ROOM(NO)),

    M(STAFF_ISSUE, "staff.issue", OWNER_ONLY, NO, NONE,
      { "role", HG_PARAM_WORD, YES, 0, 0, staff_roles },
      { "rooms", HG_PARAM_ROOMS_OR_ALL, YES, 1, 64, NULL },
      TEXT("label", NO, 80)),
    M(STAFF_REVOKE, "staff.revoke", OWNER_ONLY, NO, NONE, TEXT("id", YES, 64)),
    M(STAFF_LIST, "staff.list", OWNER_ONLY, NO, NONE, NO_PARAMS),

    M(LOCKOUT_SET, "lockout.set", STAFF, NO, NONE, ROOM(YES),
      TEXT("lockout", NO, 64), NOTE("note", YES, 400)),
    M(LOCKOUT_CLEAR, "lockout.clear", STAFF, NO, NONE, ROOM(YES),
      TEXT("lockout", YES, 64), NOTE("note", YES, 400)),

    M(BINDING_READ, "binding.read", STAFF, NO, NONE, ROOM(YES)),

    M(COMMISSION_BEGIN, "commission.begin", OWNER_ONLY, YES, NONE, ROOM(YES),
      { "kind", HG_PARAM_WORD, NO, 0, 0, commission_kinds },
      { "names", HG_PARAM_OBJECT, NO, 0, 16, NULL }),
    M(COMMISSION_STEP, "commission.step", OWNER_ONLY, YES, NONE, ROOM(YES),
      TEXT("step", YES, 64), { "data", HG_PARAM_OBJECT, NO, 0, 64, NULL }),
    /* with photo: bytes of a photograph in the last record, from offset on */
    M(COMMISSION_STATE, "commission.state", OWNER_ONLY, YES, NONE, ROOM(YES),
      TEXT("photo", NO, 64),
      { "offset", HG_PARAM_WHOLE, NO, 0, 1 << 30, NULL }),
    M(COMMISSION_FINISH, "commission.finish", OWNER_ONLY, YES, NONE, ROOM(YES)),
    M(COMMISSION_ABANDON, "commission.abandon", OWNER_ONLY, YES, NONE,
      ROOM(YES)),

    M(JOURNAL_READ, "journal.read", STAFF, NO, NONE,
      { "after", HG_PARAM_WHOLE, NO, 0, INT64_C(9007199254740991), NULL },
      { "limit", HG_PARAM_WHOLE, NO, 1, 1000, NULL }, ROOM(NO)),
    M(JOURNAL_HEAD, "journal.head", STAFF, NO, NONE, NO_PARAMS),

    M(REPORT_ENERGY, "report.energy", STAFF, NO, NONE, ROOM(YES),
      TIME("from", YES), TIME("until", YES)),
    /* the backend shows a guest only heats of its own */
    M(REPORT_HEAT, "report.heat", ASKERS, NO, NONE, TEXT("heat_id", YES, 64)),
};

const struct hg_method_row *hg_method_row(enum hg_method method)
{
    if (method <= HG_METHOD_NONE || method >= HG_METHOD_COUNT)
        return NULL;
    return &table[method];
}

const struct hg_method_row *hg_method_find(const char *name)
{
    for (size_t i = HG_METHOD_NONE + 1; i < HG_COUNT(table); i++) {
        if (strcmp(table[i].name, name) == 0)
            return &table[i];
    }
    return NULL;
}

bool hg_method_is_for(const struct hg_method_row *row, enum hg_role role)
{
    return row->method == HG_METHOD_HELLO ||
           (role > HG_ROLE_NONE && role <= HG_ROLE_OWNER &&
            (row->roles & (1u << role)) != 0);
}
