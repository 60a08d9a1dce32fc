/* CAN interfaces: sockets on them, and what the kernel says about them. See can_socket.h. */
#include "capture/can_socket.h"

#include <errno.h>
#include <string.h>

#include <linux/can.h>
#include <linux/can/raw.h>
#include <linux/ethtool.h>
#include <linux/sockios.h>
#include <net/if.h>
#include <net/if_arp.h>
#include <sys/ioctl.h>
#include <sys/socket.h>

static bool ask(int fd, const char *name, unsigned long what, struct ifreq *request)
{
    if (strlen(name) >= sizeof request->ifr_name)
        return false;
    strncpy(request->ifr_name, name, sizeof request->ifr_name - 1);
    return ioctl(fd, what, request) == 0;
}

int lt_can_socket(struct lt_error *error)
{
    int fd = socket(PF_CAN, SOCK_RAW | SOCK_CLOEXEC | SOCK_NONBLOCK, CAN_RAW);
    int number = errno;
    if (fd >= 0)
        return fd;
    lt_fail(error, LT_E_IO, "no CAN socket: %s", strerror(number));
    if (number == EAFNOSUPPORT || number == EPROTONOSUPPORT)
        lt_error_advise(error,
                        "this kernel has no CAN; try `modprobe can-raw`, or a kernel with it");
    else if (number == EPERM || number == EACCES)
        lt_error_advise(error, "raw CAN sockets are not allowed here; in a container, allow them");
    return -1;
}

static bool is_can(int fd, const char *name)
{
    struct ifreq request = {0};
    return ask(fd, name, SIOCGIFHWADDR, &request) && request.ifr_hwaddr.sa_family == ARPHRD_CAN;
}

static enum lt_code fail_interface(const char *name, const char *what, struct lt_error *error)
{
    lt_fail(error, LT_E_UNKNOWN, "%s: %s", name, what);
    lt_error_advise(error,
                    "`ip -br link show type can` and `... type vcan` list the CAN interfaces");
    return LT_E_UNKNOWN;
}

enum lt_code lt_can_socket_bind(int fd, const char *name, struct lt_error *error)
{
    struct sockaddr_can address = {.can_family = AF_CAN, .can_ifindex = (int)if_nametoindex(name)};
    if (address.can_ifindex == 0)
        return fail_interface(name, "no such interface", error);
    if (!is_can(fd, name))
        return fail_interface(name, "this is no CAN interface", error);
    if (bind(fd, (struct sockaddr *)&address, sizeof address) != 0)
        return lt_fail(error, LT_E_IO, "%s: no socket on it: %s", name, strerror(errno));
    return LT_OK;
}

bool lt_can_interface_is_up(int fd, const char *name, bool *ret_exists)
{
    struct ifreq request = {0};
    *ret_exists = ask(fd, name, SIOCGIFFLAGS, &request);
    return *ret_exists && (request.ifr_flags & IFF_UP);
}

bool lt_can_interface_takes_fd(int fd, const char *name)
{
    struct ifreq request = {0};
    return ask(fd, name, SIOCGIFMTU, &request) && request.ifr_mtu >= (int)CANFD_MTU;
}

/* The kernel names the kind of a link as its driver where the link has no device behind it. */
bool lt_can_interface_is_virtual(int fd, const char *name)
{
    struct ethtool_drvinfo info = {.cmd = ETHTOOL_GDRVINFO};
    struct ifreq request = {0};
    request.ifr_data = (char *)&info;
    return ask(fd, name, SIOCETHTOOL, &request) &&
           (strcmp(info.driver, "vcan") == 0 || strcmp(info.driver, "vxcan") == 0);
}
