/* What is spoken on a bus (bus_protocol.c), and the names of J1939's groups (pgn.c). */
#ifndef LOOMTAP_SRC_SURVEY_BUS_PROTOCOL_H
#define LOOMTAP_SRC_SURVEY_BUS_PROTOCOL_H

#include "survey/survey_internal.h"

#define BUS_SOURCES_SHOWN 8
#define BUS_GROUPS_SHOWN  4

struct bus_speech {
    size_t other_frames;       /* streams that are no diagnostics */
    uint64_t diagnostic_count; /* frames as they came */
    uint64_t other_count;
    size_t other_moving; /* streams, no diagnostics, whose content changes */
    size_t other_still;  /* those of which several frames came, all the same */
    size_t other_seldom; /* streams, no diagnostics, of which one or two frames came */
    bool scattered;      /* most streams came so: no sender on a bus does that */
    uint64_t obd_requests, obd_replies;
    uint64_t maker_requests, maker_replies; /* on identifiers of the maker's own */
    uint64_t uds_services[256];             /* those of ISO 14229-1, by number of the request */
    bool j1939, j1939_transport, j1939_claims;
    size_t pgns_known, source_count;
    uint8_t sources[BUS_SOURCES_SHOWN];  /* lowest first */
    const char *known[BUS_GROUPS_SHOWN]; /* names of some of the groups seen */
    bool only_diagnostics;
};

/* Looks at all frames of the survey; one element for each bus. */
void bus_speech_find(const struct lt_survey *survey, struct bus_speech *ret_speech);

/* The service that an ISO-TP frame begins to ask, to answer or to refuse, by the number of the
 * request; 0 where it begins no message. */
uint8_t bus_service(const uint8_t *row, unsigned length, bool *ret_reply);
/* Is it one of SAE J1979 or of ISO 14229-1? */
bool bus_is_service(uint8_t service);

/* "EEC1" for 61444; NULL where not known. */
const char *pgn_name(uint32_t pgn);

#endif
