#ifndef HG_SERVICE_METRICS_H
#define HG_SERVICE_METRICS_H

struct hg_service;

/* The body of GET /metrics (OpenMetrics 1.0), malloc'd. NULL: no memory. */
char *hg_metrics_text(struct hg_service *service);

#endif
