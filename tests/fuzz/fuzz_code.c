/*
 * What people and programs type in to be let in: codes, ids, tokens, place
 * codes, base32. What is read prints to something that reads the same.
 */
#include "fuzz.h"
#include "access/code.h"
#include "access/token.h"
#include "base/base32.h"
#include "service/config.h"

static void check_code(const char *text)
{
    char printed[HG_CODE_TEXT_BYTES];
    struct hg_code code, again;

    if (hg_code_parse(text, &code) != 0)
        return;
    FUZZ_MUST(code.number < HG_CODE_NUMBER_LIMIT);
    FUZZ_MUST(strlen(code.secret) == HG_CODE_SECRET_SYMBOLS);
    hg_code_print(&code, printed);
    FUZZ_MUST(strlen(printed) == HG_CODE_TEXT_BYTES - 1);
    FUZZ_MUST(hg_code_parse(printed, &again) == 0);
    FUZZ_MUST(again.number == code.number);
    FUZZ_MUST(strcmp(again.secret, code.secret) == 0);

    /* the check symbol finds every single wrong symbol */
    for (size_t i = 0; printed[i] != '\0'; i++) {
        char right = printed[i];

        if (right == '-')
            continue;
        printed[i] = right == '7' ? '8' : '7';
        FUZZ_MUST(hg_code_parse(printed, &again) == HG_ERR_INPUT);
        printed[i] = right;
    }
}

static void check_id(const char *text)
{
    char id[HG_ID_BYTES];
    uint32_t number, again;
    enum hg_role role, role_again;

    if (hg_code_parse_id(text, &number, &role) != 0)
        return;
    hg_code_print_id(number, role, id);
    FUZZ_MUST(hg_code_parse_id(id, &again, &role_again) == 0);
    FUZZ_MUST(number == again && role == role_again);
}

static void check_base32(const char *text)
{
    char canon[64], printed[16];
    uint64_t value;

    memset(canon, 'x', sizeof(canon));
    if (hg_base32_canon(text, canon, 32) != 0)
        FUZZ_MUST(canon[0] == 'x' && canon[31] == 'x');
    else
        FUZZ_MUST(strlen(canon) < 32 && canon[32] == 'x');
    for (size_t symbols = 1; symbols <= 12; symbols++) {
        uint64_t again;

        if (hg_base32_to_u64(text, symbols, &value) != 0)
            continue;
        hg_base32_from_u64(value, symbols, printed);
        FUZZ_MUST(strlen(printed) == symbols);
        FUZZ_MUST(hg_base32_to_u64(printed, symbols, &again) == 0);
        FUZZ_MUST(again == value);
        FUZZ_MUST(hg_base32_check(value) != '\0');
    }
}

static void check_place(const char *text)
{
    char code[HG_CONFIG_PLACE_CODE_BYTES], again[HG_CONFIG_PLACE_CODE_BYTES];

    if (hg_config_place_code(text, code) != 0)
        return;
    FUZZ_MUST(strnlen(code, sizeof(code)) >= 6);
    FUZZ_MUST(strnlen(code, sizeof(code)) < sizeof(code));
    FUZZ_MUST(hg_config_place_code(code, again) == 0);
    FUZZ_MUST(memcmp(code, again, sizeof(code)) == 0);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    char *text = fuzz_text(data, size);
    struct hg_token token;

    check_code(text);
    check_id(text);
    check_base32(text);
    check_place(text);
    if (hg_token_parse(text, &token) == 0) {
        FUZZ_MUST(strlen(text) < HG_TOKEN_TEXT_BYTES);
        FUZZ_MUST(token.kind == HG_TOKEN_SESSION ||
                  token.kind == HG_TOKEN_LONG);
        FUZZ_MUST(token.number < HG_CODE_NUMBER_LIMIT);
    }
    free(text);
    return 0;
}
