/*
 * Message authenticity. The HMAC itself is held against RFC 4231 section 4,
 * test cases 1 to 4, 6 and 7 (case 5 truncates, which we never do).
 */
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <setjmp.h>
#include <cmocka.h>

#include "base/text.h"
#include "check.h"
#include "controllers/mac.h"
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#define TOPIC "heatgate/v1/heron/telemetry"

static struct hg_mac *mac_of(const void *key, size_t len)
{
    struct hg_mac *mac = NULL;

    assert_int_equal(hg_mac_new(key, len, &mac), 0);
    return mac;
}

static void test_mac__equals_rfc4231(void **state)
{
    static const struct {
        const char *label;
        int key_byte; /* the whole key, or -1: key is a text */
        size_t key_len;
        const char *key;
        int data_byte; /* the whole data, or -1: data is a text */
        size_t data_len;
        const char *data;
        const char *want;
    } row[] = {
        { "case 1", 0x0b, 20, NULL, -1, 0, "Hi There",
          "b0344c61d8db38535ca8afceaf0bf12b881dc200c9833da726e9376c2e32cff7" },
        { "case 2", -1, 0, "Jefe", -1, 0, "what do ya want for nothing?",
          "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843" },
        { "case 3", 0xaa, 20, NULL, 0xdd, 50, NULL,
          "773ea91e36800e46854db8ebd09181a72959098b3ef8c122d9635514ced565fe" },
        { "case 4", -1, 0,
          "\x01\x02\x03\x04\x05\x06\x07\x08\x09\x0a\x0b\x0c\x0d\x0e\x0f\x10"
          "\x11\x12\x13\x14\x15\x16\x17\x18\x19",
          0xcd, 50, NULL,
          "82558a389a443c0ea4cc819899f2083a85f0faa3e578f8077a2e3ff46729665b" },
        { "case 6", 0xaa, 131, NULL, -1, 0,
          "Test Using Larger Than Block-Size Key - Hash Key First",
          "60e431591ee0b67f0d8a26aacbf5b77f8e0bc6213728c5140546040f0ee37f54" },
        { "case 7", 0xaa, 131, NULL, -1, 0,
          "This is a test using a larger than block-size key and a larger "
          "than block-size data. The key needs to be hashed before being "
          "used by the HMAC algorithm.",
          "9b09ffa71b942fcb27635fbcd5b0e944bfdc63644f0713938a7f51535c3a35e2" },
    };

    (void)state;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        uint8_t key[131];
        uint8_t data[160];
        size_t key_len =
            row[i].key != NULL ? strlen(row[i].key) : row[i].key_len;
        size_t data_len =
            row[i].data != NULL ? strlen(row[i].data) : row[i].data_len;
        uint8_t got[HG_MAC_BYTES];
        char text[HG_MAC_TEXT_BYTES];
        struct hg_mac *mac;
        /* in two parts, which must not matter */
        struct hg_mac_part part[2] = { { data, 3 }, { data + 3, 0 } };

        if (row[i].key != NULL)
            memcpy(key, row[i].key, key_len);
        else
            memset(key, row[i].key_byte, key_len);
        if (row[i].data != NULL)
            memcpy(data, row[i].data, data_len);
        else
            memset(data, row[i].data_byte, data_len);
        part[1].len = data_len - 3;
        mac = mac_of(key, key_len);

        /* twice: one object serves many messages */
        for (int n = 0; n < 2; n++) {
            HG_CHECK_EQ(row[i].label, hg_mac_over(mac, part, 2, got), 0);
            hg_hex_from_bytes(got, sizeof(got), text);
            HG_CHECK_STR(row[i].label, text, row[i].want);
        }
        hg_mac_free(mac);
    }
}

/* the rule of contract 1: over topic, newline, payload */
static void test_mac__covers_topic_newline_payload(void **state)
{
    static const char payload[] = "{\"v\":1,\"online\":true}";
    struct hg_mac *mac = mac_of("Jefe", 4);
    struct hg_mac_part whole = { TOPIC "\n{\"v\":1,\"online\":true}",
                                 sizeof(TOPIC) + sizeof(payload) - 1 };
    uint8_t bytes[HG_MAC_BYTES];
    char want[HG_MAC_TEXT_BYTES];
    char got[HG_MAC_TEXT_BYTES];

    (void)state;
    assert_int_equal(hg_mac_over(mac, &whole, 1, bytes), 0);
    hg_hex_from_bytes(bytes, sizeof(bytes), want);
    assert_int_equal(hg_mac_sign(mac, TOPIC, payload, sizeof(payload) - 1, got),
                     0);

    assert_string_equal(got, want);
    hg_mac_free(mac);
}

static void test_mac__verifies_only_the_right_one(void **state)
{
    static const char payload[] = "{\"v\":1,\"online\":true}";
    const size_t len = sizeof(payload) - 1;
    struct hg_mac *mac = mac_of("Jefe", 4);
    struct hg_mac *other = mac_of("jefe", 4);
    char text[HG_MAC_TEXT_BYTES + 1] = "";
    char upper[HG_MAC_TEXT_BYTES];

    (void)state;
    assert_int_equal(hg_mac_sign(mac, TOPIC, payload, len, text), 0);

    assert_int_equal(hg_mac_verify(mac, TOPIC, payload, len, text), 0);
    assert_int_equal(hg_mac_verify(other, TOPIC, payload, len, text),
                     HG_ERR_DENIED);
    assert_int_equal(hg_mac_verify(mac, TOPIC "x", payload, len, text),
                     HG_ERR_DENIED);
    assert_int_equal(hg_mac_verify(mac, TOPIC, payload, len - 1, text),
                     HG_ERR_DENIED);
    assert_int_equal(hg_mac_verify(mac, TOPIC, payload, len, NULL),
                     HG_ERR_DENIED);
    assert_int_equal(hg_mac_verify(mac, TOPIC, payload, len, ""),
                     HG_ERR_DENIED);
    for (size_t i = 0; i < HG_MAC_TEXT_BYTES - 1; i++) {
        char wrong[HG_MAC_TEXT_BYTES];

        memcpy(wrong, text, sizeof(wrong));
        wrong[i] = wrong[i] == '0' ? '1' : '0';
        assert_int_equal(hg_mac_verify(mac, TOPIC, payload, len, wrong),
                         HG_ERR_DENIED);
        upper[i] = (char)(text[i] >= 'a' ? text[i] - 'a' + 'A' : text[i]);
    }
    upper[HG_MAC_TEXT_BYTES - 1] = '\0';
    assert_int_equal(hg_mac_verify(mac, TOPIC, payload, len, upper),
                     HG_ERR_DENIED);
    text[HG_MAC_TEXT_BYTES - 1] = '0'; /* one digit too many */
    assert_int_equal(hg_mac_verify(mac, TOPIC, payload, len, text),
                     HG_ERR_DENIED);
    hg_mac_free(mac);
    hg_mac_free(other);
}

static void test_mac__bounds_its_key(void **state)
{
    static const uint8_t key[1025] = { 1 };
    struct hg_mac *const sentinel = (struct hg_mac *)(uintptr_t)&key;
    struct hg_mac *mac = sentinel;

    (void)state;
    assert_int_equal(hg_mac_new(key, 0, &mac), HG_ERR_RANGE);
    assert_int_equal(hg_mac_new(key, 1025, &mac), HG_ERR_RANGE);
    assert_ptr_equal(mac, sentinel);
    assert_int_equal(hg_mac_new(key, 1024, &mac), 0);
    hg_mac_free(mac);
    hg_mac_free(NULL);
}

#define KEY_TEXT                                                               \
    "000102030405060708090a0b0c0d0e0f101112131415161718191a1b1c1d1e1F"

static void write_file(const char *path, const char *text, mode_t mode)
{
    int fd = open(path, O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC, 0600);

    assert_true(fd >= 0);
    assert_int_equal(write(fd, text, strlen(text)), (ssize_t)strlen(text));
    assert_int_equal(fchmod(fd, mode), 0);
    assert_int_equal(close(fd), 0);
}

static void test_mac__reads_a_key_file(void **state)
{
    static const struct {
        const char *label;
        const char *text;
        mode_t mode;
        int want;
        const char *why; /* somewhere in the text */
    } row[] = {
        { "with newline", KEY_TEXT "\n", 0600, 0, "" },
        { "without newline", KEY_TEXT, 0400, 0, "" },
        { "group may read", KEY_TEXT, 0640, HG_ERR_DENIED,
          "mode 0640 lets others read the key; run: chmod 600 " },
        { "others may read", KEY_TEXT, 0604, HG_ERR_DENIED, "mode 0604" },
        { "others may write", KEY_TEXT, 0602, HG_ERR_DENIED, "mode 0602" },
        { "empty", "", 0600, HG_ERR_INPUT, "exactly 64 hex digits" },
        { "one digit less",
          "001020304050607080900a0b0c0d0e0f10111213141516"
          "1718191a1b1c1d1e1",
          0600, HG_ERR_INPUT, "exactly 64 hex digits" },
        { "one digit more", KEY_TEXT "0", 0600, HG_ERR_INPUT,
          "exactly 64 hex digits" },
        { "two newlines", KEY_TEXT "\n\n", 0600, HG_ERR_INPUT,
          "exactly 64 hex digits" },
        { "no hex",
          "g00102030405060708090a0b0c0d0e0f1011121314151617"
          "18191a1b1c1d1e1f",
          0600, HG_ERR_INPUT, "openssl rand -hex 32" },
    };
    char folder[] = "/tmp/hg-mac-XXXXXX";
    char path[64];

    (void)state;
    assert_non_null(mkdtemp(folder));
    (void)snprintf(path, sizeof(path), "%s/key", folder);
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        struct hg_mac *mac = NULL;
        char text[256];
        struct hg_buf why;
        int err;

        hg_buf_init(&why, text, sizeof(text));
        write_file(path, row[i].text, row[i].mode);
        err = hg_mac_read(path, &why, &mac);

        HG_CHECK_EQ(row[i].label, err, row[i].want);
        HG_CHECK_TRUE(text, strstr(text, row[i].why) != NULL);
        HG_CHECK_EQ(row[i].label, mac != NULL, row[i].want == 0);
        hg_mac_free(mac);
        assert_int_equal(unlink(path), 0);
    }
    assert_int_equal(rmdir(folder), 0);
}

static void test_mac__says_why_a_key_file_is_unreadable(void **state)
{
    struct hg_mac *mac = NULL;
    char text[256];
    struct hg_buf why;

    (void)state;
    hg_buf_init(&why, text, sizeof(text));
    assert_int_equal(hg_mac_read("/nowhere/key", &why, &mac), HG_ERR_SYSTEM);
    assert_string_equal(text, "/nowhere/key: the key file cannot be read: No "
                              "such file or directory");
    hg_buf_init(&why, text, sizeof(text));
    assert_int_equal(hg_mac_read("/dev/null", &why, &mac), HG_ERR_DENIED);
    assert_null(mac);
}

/* the digits of the file are the bytes of the key */
static void test_mac__takes_the_key_as_written(void **state)
{
    char folder[] = "/tmp/hg-mac-XXXXXX";
    char path[64];
    uint8_t key[HG_MAC_KEY_BYTES];
    struct hg_mac *from_file = NULL;
    struct hg_mac *from_bytes;
    char one[HG_MAC_TEXT_BYTES];
    char two[HG_MAC_TEXT_BYTES];
    char text[256];
    struct hg_buf why;

    (void)state;
    for (size_t i = 0; i < sizeof(key); i++)
        key[i] = (uint8_t)i;
    hg_buf_init(&why, text, sizeof(text));
    assert_non_null(mkdtemp(folder));
    (void)snprintf(path, sizeof(path), "%s/key", folder);
    write_file(path, KEY_TEXT "\n", 0600);
    assert_int_equal(hg_mac_read(path, &why, &from_file), 0);
    from_bytes = mac_of(key, sizeof(key));

    assert_int_equal(hg_mac_sign(from_file, TOPIC, "x", 1, one), 0);
    assert_int_equal(hg_mac_sign(from_bytes, TOPIC, "x", 1, two), 0);

    assert_string_equal(one, two);
    hg_mac_free(from_file);
    hg_mac_free(from_bytes);
    assert_int_equal(unlink(path), 0);
    assert_int_equal(rmdir(folder), 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_mac__equals_rfc4231),
        cmocka_unit_test(test_mac__covers_topic_newline_payload),
        cmocka_unit_test(test_mac__verifies_only_the_right_one),
        cmocka_unit_test(test_mac__bounds_its_key),
        cmocka_unit_test(test_mac__reads_a_key_file),
        cmocka_unit_test(test_mac__says_why_a_key_file_is_unreadable),
        cmocka_unit_test(test_mac__takes_the_key_as_written),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
