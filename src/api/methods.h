#ifndef HG_API_METHODS_H
#define HG_API_METHODS_H

/*
 * Every method that can be called: name, who may, which parameters. What is
 * not in this table does not exist. Pure data and pure checks.
 */
#include "heatgate/gate.h"
#include <jansson.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/* X(enum name, "method") in the order of the contract's section 2 */
#define HG_METHOD_LIST(X)                                                      \
    X(HELLO, "hello")                                                          \
    X(ROOM_LIST, "room.list")                                                  \
    X(ROOM_STATE, "room.state")                                                \
    X(ROOM_WATCH, "room.watch")                                                \
    X(ROOM_UNWATCH, "room.unwatch")                                            \
    X(CHECK_OPEN, "check.open")                                                \
    X(CHECK_SIGN, "check.sign")                                                \
    X(HEAT_PREVIEW, "heat.preview")                                            \
    X(HEAT_START, "heat.start")                                                \
    X(HEAT_CHANGE, "heat.change")                                              \
    X(HEAT_STOP, "heat.stop")                                                  \
    X(HEAT_PLAN, "heat.plan")                                                  \
    X(HEAT_UNPLAN, "heat.unplan")                                              \
    X(OUTPUT_SET, "output.set")                                                \
    X(GUEST_ISSUE, "guest.issue")                                              \
    X(GUEST_ROTATE, "guest.rotate")                                            \
    X(GUEST_REVOKE, "guest.revoke")                                            \
    X(GUEST_LIST, "guest.list")                                                \
    X(STAFF_ISSUE, "staff.issue")                                              \
    X(STAFF_REVOKE, "staff.revoke")                                            \
    X(STAFF_LIST, "staff.list")                                                \
    X(LOCKOUT_SET, "lockout.set")                                              \
    X(LOCKOUT_CLEAR, "lockout.clear")                                          \
    X(BINDING_READ, "binding.read")                                            \
    X(COMMISSION_BEGIN, "commission.begin")                                    \
    X(COMMISSION_STEP, "commission.step")                                      \
    X(COMMISSION_STATE, "commission.state")                                    \
    X(COMMISSION_FINISH, "commission.finish")                                  \
    X(COMMISSION_ABANDON, "commission.abandon")                                \
    X(JOURNAL_READ, "journal.read")                                            \
    X(JOURNAL_HEAD, "journal.head")                                            \
    X(REPORT_ENERGY, "report.energy")                                          \
    X(REPORT_HEAT, "report.heat")

enum hg_method {
    HG_METHOD_NONE = 0,
#define HG_METHOD_ENUM(name, text) HG_METHOD_##name,
    HG_METHOD_LIST(HG_METHOD_ENUM)
#undef HG_METHOD_ENUM
        HG_METHOD_COUNT
};

enum hg_param_kind {
    HG_PARAM_NONE = 0,
    HG_PARAM_TEXT,         /* string, not empty, at most max bytes */
    HG_PARAM_NOTE,         /* the same, and not blank */
    HG_PARAM_WORD,         /* one of words */
    HG_PARAM_TEXTS,        /* array of 0 to max strings of at most 64 bytes */
    HG_PARAM_ROOM,         /* name of a room that the caller may see */
    HG_PARAM_ROOMS,        /* array of 1 to 64 such names */
    HG_PARAM_ROOMS_OR_ALL, /* the same, or the string "*" */
    HG_PARAM_TIME,         /* RFC 3339 date-time with offset or Z */
    HG_PARAM_CELSIUS,      /* number from min to max */
    HG_PARAM_WHOLE,        /* whole number from min to max */
    HG_PARAM_FLAG,         /* true or false */
    HG_PARAM_OBJECT        /* object of at most max members */
};

struct hg_param {
    const char *name;
    enum hg_param_kind kind;
    bool is_required;
    int64_t min, max;
    const char *const *words; /* WORD: NULL-terminated */
};

#define HG_METHOD_PARAMS_MAX 5

enum hg_method_need { /* at least, or exactly, one of the optional params */
                      HG_METHOD_NEEDS_NONE = 0,
                      HG_METHOD_NEEDS_ANY,
                      HG_METHOD_NEEDS_ONE
};

struct hg_method_row {
    enum hg_method method;
    const char *name;
    uint32_t roles;     /* bit (1u << enum hg_role) set: may call it */
    bool is_admin_only; /* and only on the admin socket */
    enum hg_method_need need;
    struct hg_param param[HG_METHOD_PARAMS_MAX]; /* ends at kind NONE */
};

/* The row of a name, of a method; NULL when there is none. */
const struct hg_method_row *hg_method_find(const char *name);
const struct hg_method_row *hg_method_row(enum hg_method method);

/* May this role call it at all? hello is everybody's. */
bool hg_method_is_for(const struct hg_method_row *row, enum hg_role role);

/* Which parameter is wrong, and what was wanted there. */
struct hg_param_fault {
    const char *param; /* from the row; "params" for the whole */
    char wanted[160];  /* "a whole number from 1 to 1440" */
};

/*
 * Check params against the row and bring numbers to one form: a whole number
 * that came as 90.0 is an integer afterwards. Members that the row does not
 * name are left alone. An optional parameter that is null counts as absent
 * and is removed. Rooms are checked for their form, not for existence.
 *
 * params  an object; changed in place as said
 *
 * Returns whether all is well; if not, *ret_fault says the first fault.
 */
bool hg_method_check_params(const struct hg_method_row *row, json_t *params,
                            bool is_admin, struct hg_param_fault *ret_fault);

#endif
