/*
 * Owns the tests of single texts of the configuration.
 */
#include "service/config_text.h"
#include "base/buf.h"
#include <arpa/inet.h>
#include <fcntl.h>
#include <string.h>
#include <unistd.h>

#define LOWER  "abcdefghijklmnopqrstuvwxyz"
#define UPPER  "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
#define DIGITS "0123456789"

static bool is_of(const char *text, const char *letters)
{
    return text[0] != '\0' && text[strspn(text, letters)] == '\0';
}

bool hg_config_is_host(const char *text)
{
    return is_of(text, LOWER UPPER DIGITS ".-:_") && text[0] != '-';
}

bool hg_config_is_topic_root(const char *text)
{
    size_t len = strlen(text);

    return len > 0 && strpbrk(text, "+#") == NULL && text[0] != '$' &&
           text[0] != '/' && text[len - 1] != '/' && strstr(text, "//") == NULL;
}

bool hg_config_is_address(const char *text)
{
    struct in6_addr any;

    return inet_pton(AF_INET, text, &any) == 1 ||
           inet_pton(AF_INET6, text, &any) == 1;
}

bool hg_config_is_loopback(const char *text)
{
    struct in6_addr six;
    struct in_addr four;

    if (inet_pton(AF_INET, text, &four) == 1)
        return (ntohl(four.s_addr) >> 24) == 127;
    return inet_pton(AF_INET6, text, &six) == 1 && IN6_IS_ADDR_LOOPBACK(&six);
}

bool hg_config_is_currency(const char *text)
{
    return strlen(text) == 3 && is_of(text, UPPER);
}

bool hg_config_is_not_blank(const char *text)
{
    return text[strspn(text, " \t\r\n")] != '\0';
}

/* a compiled zone begins with "TZif": RFC 8536 section 3.1 */
static bool is_zone_file(const char *path)
{
    char magic[4];
    ssize_t got;
    int fd = open(path, O_RDONLY | O_CLOEXEC | O_NONBLOCK);

    if (fd < 0)
        return false;
    got = read(fd, magic, sizeof(magic));
    (void)close(fd); /* opened for reading only: nothing can be lost */
    return got == (ssize_t)sizeof(magic) &&
           memcmp(magic, "TZif", sizeof(magic)) == 0;
}

bool hg_config_is_timezone(const char *text)
{
    char bytes[128];
    struct hg_buf path;

    if (!is_of(text, LOWER UPPER DIGITS "/_+-") || text[0] == '/' ||
        text[0] == '-')
        return false;
    hg_buf_init(&path, bytes, sizeof(bytes));
    hg_buf_addf(&path, "/usr/share/zoneinfo/%s", text);
    return !path.is_cut && is_zone_file(path.bytes);
}

bool hg_config_is_time_of_day(const char *text)
{
    return strlen(text) == 5 && is_of(text, DIGITS ":") && text[2] == ':' &&
           strspn(text, DIGITS) == 2 && strspn(text + 3, DIGITS) == 2 &&
           strncmp(text, "24", 2) < 0 && strncmp(text + 3, "60", 2) < 0;
}
