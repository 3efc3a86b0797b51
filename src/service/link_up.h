#ifndef HG_SERVICE_LINK_UP_H
#define HG_SERVICE_LINK_UP_H

/* What the link to the broker calls: up, down, messages, failures. */
#include "controllers/link.h"

struct hg_service;

struct hg_link_handlers hg_link_up_handlers(struct hg_service *service);

#endif
