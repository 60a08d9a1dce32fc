/* The list of bus names: see buses.h. */
#include "capture/buses.h"

#include <assert.h>

void lt_buses_init(struct lt_buses *buses)
{
    memset(buses, 0, sizeof *buses);
    /* Eight NUL bytes in the place of a name look for slot 0, and must not take it for theirs
     * because it is free. 1 is no name, and has another slot. */
    assert(lt_bus_slot_of(0) == 0 && lt_bus_slot_of(1) != 0);
    buses->slots[0].key = 1;
}

static bool is_name(const struct lt_buses *buses, size_t bus, struct lt_text name)
{
    return memcmp(buses->names[bus], name.at, name.len) == 0 && buses->names[bus][name.len] == '\0';
}

static void add_slot(struct lt_buses *buses, struct lt_text name, size_t bus)
{
    uint8_t bytes[8] = {0};
    if (name.len == 0 || name.len > 7)
        return; /* found by comparing, on the general path */
    memcpy(bytes, name.at, name.len);
    bytes[name.len] = ' ';
    uint64_t key = lt_load64_le(bytes);
    unsigned slot = lt_bus_slot_of(key);
    while (buses->slots[slot].key != 0)
        slot = (slot + 1) % LT_BUS_SLOTS;
    buses->slots[slot] = (struct lt_bus_slot){key, (uint32_t)bus};
}

bool lt_buses_intern(struct lt_buses *buses, struct lt_text name, uint16_t *ret_bus)
{
    assert(name.len <= LT_BUS_NAME_MAX);
    size_t bus = buses->last;
    if (bus >= buses->count || !is_name(buses, bus, name))
        for (bus = 0; bus < buses->count && !is_name(buses, bus, name);)
            bus++;
    if (bus == LT_BUSES_MAX)
        return false;
    if (bus == buses->count) {
        memcpy(buses->names[bus], name.at, name.len);
        buses->names[bus][name.len] = '\0';
        add_slot(buses, name, bus);
        buses->count++;
    }
    buses->last = bus;
    *ret_bus = (uint16_t)bus;
    return true;
}
