/* Every error number has a text of its own. */
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <setjmp.h>
#include <cmocka.h>

#include "base/err.h"
#include "base/text.h"
#include "check.h"

static const int NUMBER[] = {
    HG_OK,         HG_ERR_SYSTEM,    HG_ERR_MEMORY,    HG_ERR_INPUT,
    HG_ERR_RANGE,  HG_ERR_FULL,      HG_ERR_NOT_FOUND, HG_ERR_EXISTS,
    HG_ERR_DENIED, HG_ERR_CORRUPT,   HG_ERR_CLOSED,    HG_ERR_BUSY,
    HG_ERR_CRYPTO, HG_ERR_UNTRUSTED,
};

static void test_err__every_number_has_its_own_text(void **state)
{
    (void)state;
    for (size_t i = 0; i < HG_COUNT(NUMBER); i++) {
        const char *text = hg_err_text(NUMBER[i]);

        HG_CHECK_TRUE(text, text[0] != '\0');
        HG_CHECK_TRUE(text, strcmp(text, "unknown error") != 0);
        for (size_t k = 0; k < i; k++)
            HG_CHECK_TRUE(text, strcmp(text, hg_err_text(NUMBER[k])) != 0);
    }
}

static void test_err__the_table_above_is_complete(void **state)
{
    /* numbers run from 0 down without a gap */
    (void)state;
    for (size_t i = 0; i < HG_COUNT(NUMBER); i++)
        HG_CHECK_EQ("in order", NUMBER[i], -(int)i);
    HG_CHECK_STR("one below the last", hg_err_text(HG_ERR_UNTRUSTED - 1),
                 "unknown error");
}

static void test_err__a_foreign_number_is_named_unknown(void **state)
{
    static const int foreign[] = { 1, INT32_MAX, INT32_MIN };

    (void)state;
    for (size_t i = 0; i < HG_COUNT(foreign); i++)
        HG_CHECK_STR("foreign", hg_err_text(foreign[i]), "unknown error");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_err__every_number_has_its_own_text),
        cmocka_unit_test(test_err__the_table_above_is_complete),
        cmocka_unit_test(test_err__a_foreign_number_is_named_unknown),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
