/* Short names of J1939 parameter groups. Those of the measured values and of the transport are the
 * ones that makers' manuals and the FMS standard print; the others are names of SAE J1939-71, -73,
 * -21 and -81 as publicly quoted. */
#include "survey/bus_protocol.h"

struct named_pgn {
    uint32_t pgn;
    const char *name;
};

static const struct named_pgn names[] = {
    {0, "TSC1"},      {1024, "XBR"},   {59392, "ACKM"},   {59904, "RQST"}, {60160, "TP.DT"},
    {60416, "TP.CM"}, {60928, "AC"},   {61184, "PropA"},  {61440, "ERC1"}, {61441, "EBC1"},
    {61442, "ETC1"},  {61443, "EEC2"}, {61444, "EEC1"},   {61445, "ETC2"}, {65132, "TCO1"},
    {65215, "EBC2"},  {65217, "VDHR"}, {65226, "DM1"},    {65227, "DM2"},  {65228, "DM3"},
    {65237, "AS"},    {65242, "SOFT"}, {65247, "EEC3"},   {65248, "VD"},   {65253, "HOURS"},
    {65254, "TD"},    {65255, "VH"},   {65257, "LFC"},    {65258, "VW"},   {65259, "CI"},
    {65260, "VI"},    {65262, "ET1"},  {65263, "EFL/P1"}, {65265, "CCVS"}, {65266, "LFE"},
    {65269, "AMB"},   {65270, "IC1"},  {65271, "VEP1"},   {65272, "TRF1"}, {65276, "DD"},
};

const char *pgn_name(uint32_t pgn)
{
    for (size_t i = 0; i < sizeof names / sizeof *names; i++)
        if (names[i].pgn == pgn)
            return names[i].name;
    return pgn >= 65280 && pgn <= 65535 ? "PropB" : NULL;
}
