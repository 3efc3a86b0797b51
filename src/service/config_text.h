#ifndef HG_SERVICE_CONFIG_TEXT_H
#define HG_SERVICE_CONFIG_TEXT_H

/*
 * Is a text of the configuration what it should be? All but the time zone
 * are pure; that one looks into /usr/share/zoneinfo.
 */
#include <stdbool.h>

/* Letters, digits, dots, dashes, colons, underscores: a name or address. */
bool hg_config_is_host(const char *text);
/* MQTT topic levels: none empty, no wildcard, no leading "$". */
bool hg_config_is_topic_root(const char *text);
/* An IPv4 or IPv6 literal. */
bool hg_config_is_address(const char *text);
/* 127.0.0.0/8 or ::1. */
bool hg_config_is_loopback(const char *text);
/* Three capital letters (ISO 4217). */
bool hg_config_is_currency(const char *text);
/* An IANA time zone that this host knows. */
bool hg_config_is_timezone(const char *text);
/* "HH:MM", 00:00 to 23:59 */
bool hg_config_is_time_of_day(const char *text);
/* Something other than blanks. */
bool hg_config_is_not_blank(const char *text);

#endif
