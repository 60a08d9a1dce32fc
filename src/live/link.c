/* CAN interfaces over rtnetlink: see loomtap/live/link.h.
 *
 * Setting a classic interface goes through libsocketcan, a call a setting. Two things do not.
 * Reading: its getters say "fine" and leave the result as it was where the kernel has no such
 * attribute, and print; here absence is known. FD: the kernel wants both bit timings and the mode
 * in one message, and Debian's libsocketcan has no call for it. Both go through libmnl.
 *
 * libsocketcan prints the kernel's refusals on stderr. So that this is rare, what can be known
 * before (permission, rates, modes) is asked for before. */
#include "loomtap/live/link.h"

#include <errno.h>
#include <string.h>
#include <unistd.h>

#include <libmnl/libmnl.h>
#include <libsocketcan.h>
#include <linux/if_link.h>
#include <linux/rtnetlink.h>
#include <net/if.h>
#include <net/if_arp.h>

#include "loomtap/base/text.h"

#define REPLY_BYTES 32768 /* one link; the kernel's own bound for it */
#define FD_MODES    (CAN_CTRLMODE_FD | CAN_CTRLMODE_FD_NON_ISO)
/* What is set here, on or off; anything else stays as somebody set it. */
#define OUR_MODES                                                                                  \
    (CAN_CTRLMODE_LISTENONLY | CAN_CTRLMODE_LOOPBACK | CAN_CTRLMODE_ONE_SHOT |                     \
     CAN_CTRLMODE_BERR_REPORTING | CAN_CTRLMODE_PRESUME_ACK | FD_MODES)

/* ---- one question to the kernel ---- */

struct question {
    char bytes[1024];
    struct nlmsghdr *header;
};

static void begin(struct question *question, uint16_t type, uint16_t flags, const char *name)
{
    memset(question, 0, sizeof *question);
    question->header = mnl_nlmsg_put_header(question->bytes);
    question->header->nlmsg_type = type;
    question->header->nlmsg_flags = NLM_F_REQUEST | flags;
    question->header->nlmsg_seq = 1;
    mnl_nlmsg_put_extra_header(question->header, sizeof(struct ifinfomsg));
    mnl_attr_put_strz(question->header, IFLA_IFNAME, name);
}

/* 0, or the kernel's error number. */
static int ask(struct question *question, mnl_cb_t take, void *context)
{
    char reply[REPLY_BYTES];
    int number = 0;
    struct mnl_socket *socket = mnl_socket_open2(NETLINK_ROUTE, SOCK_CLOEXEC);
    if (!socket)
        return errno;
    ssize_t got = -1;
    if (mnl_socket_bind(socket, 0, MNL_SOCKET_AUTOPID) == 0 &&
        mnl_socket_sendto(socket, question->header, question->header->nlmsg_len) >= 0)
        got = mnl_socket_recvfrom(socket, reply, sizeof reply);
    if (got < 0 || mnl_cb_run(reply, (size_t)got, 1, mnl_socket_get_portid(socket), take,
                              context) == MNL_CB_ERROR)
        number = errno ? errno : EIO;
    mnl_socket_close(socket);
    return number;
}

static enum lt_code fail_number(const char *name, const char *what, int number,
                                struct lt_error *error)
{
    if (number == ENODEV) {
        lt_fail(error, LT_E_UNKNOWN, "%s: no such interface", name);
        lt_error_advise(error, "`ip -br link show type can` lists the CAN interfaces");
        return LT_E_UNKNOWN;
    }
    lt_fail(error, LT_E_IO, "%s: %s: %s", name, what, strerror(number));
    if (number == EPERM || number == EACCES)
        lt_error_advise(error, "setting an interface takes the right to do so: use sudo, or give "
                               "this user CAP_NET_ADMIN");
    else
        lt_error_advise(error, "is the adapter plugged in? `dmesg` may say why it refuses");
    return LT_E_IO;
}

/* ---- reading ---- */

struct reading {
    struct lt_link *link;
    bool is_can;
    uint32_t modes, supported;
};

/* Attributes of a size that this program was not made for are left alone. */
static bool take_bytes(const struct nlattr *attribute, void *ret_value, size_t size)
{
    if (mnl_attr_get_payload_len(attribute) < size)
        return false;
    memcpy(ret_value, mnl_attr_get_payload(attribute), size);
    return true;
}

static uint32_t take_u32(const struct nlattr *attribute)
{
    uint32_t value = 0;
    take_bytes(attribute, &value, sizeof value);
    return value;
}

static void take_timing(const struct nlattr *attribute, uint32_t *ret_rate, uint32_t *ret_point)
{
    struct can_bittiming timing;
    if (!take_bytes(attribute, &timing, sizeof timing) || timing.bitrate > UINT32_MAX - 1)
        return; /* UINT32_MAX: set by the adapter itself, and not known */
    *ret_rate = timing.bitrate;
    *ret_point = timing.sample_point;
}

static void take_rates(const struct nlattr *attribute, struct lt_link *link)
{
    size_t count = mnl_attr_get_payload_len(attribute) / sizeof *link->rates_hz;
    link->rate_count = count < LT_LINK_RATES_MAX ? count : LT_LINK_RATES_MAX;
    memcpy(link->rates_hz, mnl_attr_get_payload(attribute),
           link->rate_count * sizeof *link->rates_hz);
}

static void take_modes(const struct nlattr *attribute, struct reading *reading)
{
    struct can_ctrlmode modes;
    if (!take_bytes(attribute, &modes, sizeof modes))
        return;
    reading->link->has_modes = true;
    reading->modes = modes.flags;
}

static void take_supported(const struct nlattr *nest, struct reading *reading)
{
    struct nlattr *attribute;
    mnl_attr_for_each_nested(attribute, nest)
    {
        if (mnl_attr_get_type(attribute) != IFLA_CAN_CTRLMODE_SUPPORTED)
            continue;
        reading->link->says_supported = true;
        reading->supported = take_u32(attribute);
    }
}

static void take_can(const struct nlattr *attribute, struct reading *reading)
{
    struct lt_link *link = reading->link;
    struct can_berr_counter counters;
    uint16_t ohm;
    switch (mnl_attr_get_type(attribute)) {
    case IFLA_CAN_BITTIMING:
        take_timing(attribute, &link->bitrate_hz, &link->sample_point);
        break;
    case IFLA_CAN_DATA_BITTIMING:
        take_timing(attribute, &link->data_bitrate_hz, &link->data_sample_point);
        break;
    case IFLA_CAN_STATE:
        link->state = (int)take_u32(attribute);
        break;
    case IFLA_CAN_CTRLMODE:
        take_modes(attribute, reading);
        break;
    case IFLA_CAN_CTRLMODE_EXT:
        take_supported(attribute, reading);
        break;
    case IFLA_CAN_RESTART_MS:
        link->restart_ms = take_u32(attribute);
        break;
    case IFLA_CAN_BERR_COUNTER:
        link->has_counters = take_bytes(attribute, &counters, sizeof counters);
        if (link->has_counters) {
            link->receive_errors = counters.rxerr;
            link->transmit_errors = counters.txerr;
        }
        break;
    case IFLA_CAN_TERMINATION:
        if (take_bytes(attribute, &ohm, sizeof ohm))
            link->termination_ohm = ohm;
        break;
    case IFLA_CAN_BITRATE_CONST:
        take_rates(attribute, link);
        break;
    default:
        break;
    }
}

static void take_statistics(const struct nlattr *attribute, struct lt_link *link)
{
    struct can_device_stats counts;
    if (!take_bytes(attribute, &counts, sizeof counts))
        return;
    link->has_statistics = true;
    link->bus_errors = counts.bus_error;
    link->warnings = counts.error_warning;
    link->passives = counts.error_passive;
    link->bus_offs = counts.bus_off;
    link->restarts = counts.restarts;
}

static void take_info(const struct nlattr *nest, struct reading *reading)
{
    struct nlattr *attribute, *inner;
    bool has_controller = false;
    mnl_attr_for_each_nested(attribute, nest)
    {
        if (mnl_attr_get_type(attribute) == IFLA_INFO_KIND)
            has_controller = mnl_attr_get_payload_len(attribute) == sizeof "can" &&
                             memcmp(mnl_attr_get_payload(attribute), "can", sizeof "can") == 0;
        else if (mnl_attr_get_type(attribute) == IFLA_INFO_XSTATS && has_controller)
            take_statistics(attribute, reading->link);
        else if (mnl_attr_get_type(attribute) == IFLA_INFO_DATA && has_controller)
            mnl_attr_for_each_nested(inner, attribute) take_can(inner, reading);
    }
}

static int take_link(const struct nlmsghdr *message, void *context)
{
    struct reading *reading = context;
    if (message->nlmsg_type != RTM_NEWLINK ||
        mnl_nlmsg_get_payload_len(message) < sizeof(struct ifinfomsg))
        return MNL_CB_OK;
    const struct ifinfomsg *info = mnl_nlmsg_get_payload(message);
    reading->is_can = info->ifi_type == ARPHRD_CAN;
    reading->link->is_up = (info->ifi_flags & IFF_UP) != 0;
    struct nlattr *attribute;
    mnl_attr_for_each(attribute, message, sizeof *info)
    {
        if (mnl_attr_get_type(attribute) == IFLA_LINKINFO)
            take_info(attribute, reading);
    }
    return MNL_CB_STOP;
}

/* An adapter that is spoken to over a serial line has a list of rates in place of bit timing
 * registers, and the kernel's drivers for such wait for no answer. Of any other the kernel's driver
 * keeps the mode that it has put into the controller. */
static enum lt_listening judge_listening(const struct lt_link *link, uint32_t modes)
{
    if (!link->has_modes || !(modes & CAN_CTRLMODE_LISTENONLY))
        return LT_LISTENING_NO;
    return link->rate_count > 0 ? LT_LISTENING_UNVERIFIED : LT_LISTENING_READ_BACK;
}

static void finish(const struct reading *reading)
{
    struct lt_link *link = reading->link;
    /* The kernel gives back what it was told; the adapter samples where its maker chose. */
    if (link->rate_count > 0)
        link->sample_point = link->data_sample_point = 0;
    /* A mode that is always on is not in the list, but it is on. */
    uint32_t can = link->says_supported ? reading->supported | reading->modes : UINT32_MAX;
    link->can_listen_only = link->has_modes && (can & CAN_CTRLMODE_LISTENONLY);
    link->can_fd = link->has_modes && (can & CAN_CTRLMODE_FD);
    link->can_non_iso = link->has_modes && (can & CAN_CTRLMODE_FD_NON_ISO);
    link->can_report_errors = link->has_modes && (can & CAN_CTRLMODE_BERR_REPORTING);
    if (reading->modes & CAN_CTRLMODE_FD)
        link->fd = reading->modes & CAN_CTRLMODE_FD_NON_ISO ? LT_FD_NON_ISO : LT_FD_ISO;
    link->listening = judge_listening(link, reading->modes);
}

static enum lt_code read_link(struct reading *reading, const char *name, struct lt_error *error)
{
    struct question question;
    if (name[0] == '\0' || strlen(name) >= IFNAMSIZ)
        return lt_fail(error, LT_E_UNKNOWN, "%s: no interface can have this name", name);
    begin(&question, RTM_GETLINK, 0, name);
    int number = ask(&question, take_link, reading);
    if (number)
        return fail_number(name, "the kernel does not say how it is set", number, error);
    if (!reading->is_can)
        return lt_fail(error, LT_E_UNKNOWN, "%s: this is no CAN interface", name);
    finish(reading);
    return LT_OK;
}

/* A virtual bus, and an adapter on a serial line, have no device to ask. */
static void read_driver(struct lt_link *link, const char *name)
{
    char path[128], target[256];
    lt_text_format(path, sizeof path, "/sys/class/net/%s/device/driver", name);
    ssize_t len = readlink(path, target, sizeof target - 1);
    if (len <= 0)
        return;
    target[len] = '\0';
    const char *slash = strrchr(target, '/');
    lt_text_format(link->driver, sizeof link->driver, "%s", slash ? slash + 1 : target);
}

enum lt_code lt_link_read(struct lt_link *ret_link, const char *name, struct lt_error *error)
{
    struct lt_link link = {.state = -1};
    struct reading reading = {.link = &link};
    enum lt_code code = read_link(&reading, name, error);
    if (code == LT_OK) {
        read_driver(&link, name);
        *ret_link = link;
    }
    return code;
}

const char *lt_link_state_text(int state)
{
    static const char *const texts[CAN_STATE_MAX] = {[CAN_STATE_ERROR_ACTIVE] = "error-active",
                                                     [CAN_STATE_ERROR_WARNING] = "error-warning",
                                                     [CAN_STATE_ERROR_PASSIVE] = "error-passive",
                                                     [CAN_STATE_BUS_OFF] = "bus-off",
                                                     [CAN_STATE_STOPPED] = "stopped",
                                                     [CAN_STATE_SLEEPING] = "sleeping"};
    return state >= 0 && state < CAN_STATE_MAX ? texts[state] : "unknown";
}

/* ---- what cannot be ---- */

static bool offers(const struct lt_link *link, uint32_t bitrate_hz)
{
    for (size_t i = 0; i < link->rate_count; i++)
        if (link->rates_hz[i] == bitrate_hz)
            return true;
    return link->rate_count == 0;
}

static enum lt_code fail_mode(const char *name, const char *mode, struct lt_error *error)
{
    return lt_fail(error, LT_E_MISSING, "%s: this adapter has no %s", name, mode);
}

enum lt_code lt_link_can(const struct lt_link *link, const char *name,
                         const struct lt_link_wish *wish, struct lt_error *error)
{
    if (!link->has_modes)
        return lt_fail(error, LT_E_MISSING, "%s: a virtual bus has no bit rate", name);
    if (!offers(link, wish->bitrate_hz)) {
        char rates[200] = "";
        for (size_t i = 0, at = 0; i < link->rate_count; i++)
            at += lt_text_format(rates + at, sizeof rates - at, " %u", link->rates_hz[i]);
        lt_fail(error, LT_E_RANGE, "%s: this adapter has no %u bit/s", name, wish->bitrate_hz);
        lt_error_advise(error, "it has%s", rates);
        return LT_E_RANGE;
    }
    if (wish->listen_only && !link->can_listen_only) {
        fail_mode(name, "listen-only mode: it would acknowledge frames", error);
        lt_error_advise(error, "use one that has it; or, knowing the bit rate, --active");
        return LT_E_MISSING;
    }
    if (wish->fd != LT_FD_NO && !link->can_fd)
        return fail_mode(name, "CAN FD", error);
    if (wish->fd == LT_FD_NON_ISO && !link->can_non_iso)
        return fail_mode(name, "FD before ISO 11898-1:2015", error);
    return LT_OK;
}

/* ---- setting ---- */

/* Every change of a link is refused to who has not the right, this empty one too. */
static enum lt_code check_right(const char *name, struct lt_error *error)
{
    struct question question;
    begin(&question, RTM_NEWLINK, NLM_F_ACK, name);
    int number = ask(&question, NULL, NULL);
    return number ? fail_number(name, "it cannot be set", number, error) : LT_OK;
}

static struct can_ctrlmode modes_of(const struct reading *now, const struct lt_link_wish *wish)
{
    struct can_ctrlmode modes = {.mask = OUR_MODES};
    if (now->link->says_supported) /* what is always on must stay on in the message */
        modes.flags = now->modes & OUR_MODES & ~now->supported;
    if (wish->listen_only)
        modes.flags |= CAN_CTRLMODE_LISTENONLY;
    /* Each error told: where that is not known to be there, it is not asked for. */
    if (now->link->says_supported && now->link->can_report_errors)
        modes.flags |= CAN_CTRLMODE_BERR_REPORTING;
    if (wish->fd != LT_FD_NO)
        modes.flags |= CAN_CTRLMODE_FD;
    if (wish->fd == LT_FD_NON_ISO)
        modes.flags |= CAN_CTRLMODE_FD_NON_ISO;
    return modes;
}

static int set_classic(const char *name, const struct lt_link_wish *wish,
                       struct can_ctrlmode *modes)
{
    errno = 0;
    if (can_set_ctrlmode(name, modes) != 0)
        return errno ? errno : EOPNOTSUPP;
    int done = wish->sample_point
                   ? can_set_bitrate_samplepoint(name, wish->bitrate_hz, wish->sample_point)
                   : can_set_bitrate(name, wish->bitrate_hz);
    return done == 0 ? 0 : errno ? errno : EINVAL;
}

static int set_fd(const char *name, const struct lt_link_wish *wish,
                  const struct can_ctrlmode *modes)
{
    struct can_bittiming nominal = {.bitrate = wish->bitrate_hz,
                                    .sample_point = wish->sample_point};
    struct can_bittiming data = {.bitrate = wish->data_bitrate_hz,
                                 .sample_point = wish->data_sample_point};
    struct question question;
    begin(&question, RTM_NEWLINK, NLM_F_ACK, name);
    struct nlattr *info = mnl_attr_nest_start(question.header, IFLA_LINKINFO);
    mnl_attr_put_strz(question.header, IFLA_INFO_KIND, "can");
    struct nlattr *nest = mnl_attr_nest_start(question.header, IFLA_INFO_DATA);
    mnl_attr_put(question.header, IFLA_CAN_CTRLMODE, sizeof *modes, modes);
    mnl_attr_put(question.header, IFLA_CAN_BITTIMING, sizeof nominal, &nominal);
    mnl_attr_put(question.header, IFLA_CAN_DATA_BITTIMING, sizeof data, &data);
    mnl_attr_nest_end(question.header, nest);
    mnl_attr_nest_end(question.header, info);
    return ask(&question, NULL, NULL);
}

static enum lt_code set_down_link(const char *name, const struct lt_link_wish *wish,
                                  const struct reading *now, struct lt_error *error)
{
    struct can_ctrlmode modes = modes_of(now, wish);
    int number =
        wish->fd == LT_FD_NO ? set_classic(name, wish, &modes) : set_fd(name, wish, &modes);
    if (number == EOPNOTSUPP)
        return fail_mode(name,
                         wish->fd != LT_FD_NO ? "mode as it was asked for"
                                              : "listen-only mode: it would acknowledge frames",
                         error);
    if (number == EINVAL || number == EDOM || number == ERANGE) {
        lt_fail(error, LT_E_RANGE, "%s: this adapter cannot make %u bit/s%s", name,
                wish->bitrate_hz, wish->fd != LT_FD_NO ? " with that data bit rate" : "");
        return LT_E_RANGE;
    }
    return number ? fail_number(name, "it cannot be set", number, error) : LT_OK;
}

/* An adapter that cannot restart by itself refuses the time, and needs none for "never". */
static enum lt_code set_restart(const char *name, const struct lt_link_wish *wish,
                                const struct lt_link *now, struct lt_error *error)
{
    if (wish->restart_ms == now->restart_ms || can_set_restart_ms(name, wish->restart_ms) == 0)
        return LT_OK;
    return lt_fail(error, LT_E_MISSING, "%s: this adapter takes no restart after bus-off of %u ms",
                   name, wish->restart_ms);
}

/* ISO 11898-1 leaves oscillators at most 1.58 % apart; a rate 1 % off is another rate. */
static bool near(uint32_t got, uint32_t wanted)
{
    uint32_t apart = got > wanted ? got - wanted : wanted - got;
    return apart <= wanted / 100;
}

static enum lt_code check_set(const char *name, const struct lt_link_wish *wish,
                              const struct lt_link *link, struct lt_error *error)
{
    if (!near(link->bitrate_hz, wish->bitrate_hz))
        return lt_fail(error, LT_E_RANGE, "%s: asked for %u bit/s, it makes %u", name,
                       wish->bitrate_hz, link->bitrate_hz);
    if (wish->fd != LT_FD_NO && !near(link->data_bitrate_hz, wish->data_bitrate_hz))
        return lt_fail(error, LT_E_RANGE, "%s: asked for %u bit/s of data, it makes %u", name,
                       wish->data_bitrate_hz, link->data_bitrate_hz);
    if (wish->listen_only && link->listening == LT_LISTENING_NO)
        return lt_fail(error, LT_E_CONFLICT,
                       "%s: told to listen only, and it does not: it would acknowledge frames",
                       name);
    return link->fd == wish->fd
               ? LT_OK
               : lt_fail(error, LT_E_CONFLICT, "%s: its FD mode is not as asked", name);
}

static enum lt_code set_up(const char *name, bool up, struct lt_error *error)
{
    errno = 0;
    if ((up ? can_do_start(name) : can_do_stop(name)) == 0)
        return LT_OK;
    return fail_number(name, up ? "it does not come up" : "it does not go down",
                       errno ? errno : EIO, error);
}

enum lt_code lt_link_set(const char *name, const struct lt_link_wish *wish,
                         struct lt_link *ret_link, struct lt_error *error)
{
    struct lt_link before = {.state = -1}, after;
    struct reading now = {.link = &before};
    enum lt_code code = read_link(&now, name, error);
    if (code == LT_OK)
        code = lt_link_can(&before, name, wish, error);
    if (code == LT_OK)
        code = check_right(name, error);
    if (code == LT_OK && before.is_up)
        code = set_up(name, false, error);
    if (code == LT_OK)
        code = set_down_link(name, wish, &now, error);
    if (code == LT_OK)
        code = set_restart(name, wish, &before, error);
    /* Looked at before it is up: what is wrong must not come onto the bus. */
    if (code == LT_OK)
        code = lt_link_read(&after, name, error);
    if (code == LT_OK)
        code = check_set(name, wish, &after, error);
    if (code == LT_OK)
        code = set_up(name, true, error);
    if (code == LT_OK)
        code = lt_link_read(&after, name, error);
    if (code == LT_OK && ret_link)
        *ret_link = after;
    return code;
}

enum lt_code lt_link_up(const char *name, struct lt_error *error)
{
    enum lt_code code = check_right(name, error);
    return code == LT_OK ? set_up(name, true, error) : code;
}

enum lt_code lt_link_down(const char *name, struct lt_error *error)
{
    enum lt_code code = check_right(name, error);
    return code == LT_OK ? set_up(name, false, error) : code;
}
