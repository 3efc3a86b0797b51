/*
 * The signed head of the journal: retained on <root>/journal for whoever
 * keeps it elsewhere, and in head.json beside the journal.
 */
#include "service/head.h"
#include "base/sat.h"
#include "controllers/link.h"
#include "journal/journal.h"
#include "service/service.h"
#include <string.h>

#define HEAD_EVERY_MS 60000

void hg_head_publish(struct hg_service *service)
{
    char text[HG_JOURNAL_HEAD_TEXT_BYTES];
    struct hg_link_publication what;
    struct hg_journal_head head;
    char topic[HG_TOPIC_BYTES];
    struct hg_buf buf;

    if (hg_journal_sign_head(service->journal, service->now.wall.ms, &head) < 0)
        return; /* no durable record yet; the next tick has one */
    service->head_at = service->now.mono;
    service->head_n = head.n;
    hg_journal_store_head(service->journal, &head);
    if (service->link == NULL || !hg_link_is_up(service->link))
        return;
    hg_buf_init(&buf, topic, sizeof(topic));
    memset(&what, 0, sizeof(what));
    what.topic = topic;
    what.payload = text;
    what.len = hg_journal_head_format(&head, text);
    what.qos = 1;
    what.is_retained = true;
    if (hg_topic_build(hg_link_root(service->link), NULL, HG_LEAF_JOURNAL,
                       &buf) < 0 ||
        hg_link_publish(service->link, &what) < 0)
        service->counts.publish_failures++;
}

void hg_head_tick(struct hg_service *service)
{
    if (hg_record_durable(service) == service->head_n ||
        hg_mono_since(service->now.mono, service->head_at) < HEAD_EVERY_MS)
        return;
    hg_head_publish(service);
}
