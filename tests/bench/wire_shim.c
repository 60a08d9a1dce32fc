/* Preloaded into the programs of guard_latency.sh where the kernel has no CAN: a bus of datagrams
 * on the loopback interface takes the place of a virtual CAN interface, so that the real program
 * runs with real system calls of about the same weight (poll, recvmmsg with the kernel's stamps,
 * write). Every socket hears every frame, its own machine's marked as such, as on vcan; kernel
 * filters are not imitated. For measuring, nothing else: tests run in a kernel with CAN
 * (tests/kernel). */
#include <dlfcn.h>
#include <errno.h>
#include <stdarg.h>
#include <string.h>
#include <unistd.h>

#include <arpa/inet.h>
#include <linux/can.h>
#include <linux/can/raw.h>
#include <linux/ethtool.h>
#include <linux/sockios.h>
#include <net/if.h>
#include <net/if_arp.h>
#include <netinet/in.h>
#include <sys/ioctl.h>
#include <sys/socket.h>

#define GROUP   "239.77.67.78"
#define PORT    17678
#define FDS_MAX 1024

static char is_wire[FDS_MAX];

static struct sockaddr_in wire_address(void)
{
    struct sockaddr_in address = {.sin_family = AF_INET, .sin_port = htons(PORT)};
    inet_pton(AF_INET, GROUP, &address.sin_addr);
    return address;
}

static int on_wire(int fd)
{
    return fd >= 0 && fd < FDS_MAX && is_wire[fd];
}

int socket(int domain, int type, int protocol)
{
    if (domain == PF_CAN) {
        domain = AF_INET;
        type = SOCK_DGRAM | (type & (SOCK_CLOEXEC | SOCK_NONBLOCK));
        protocol = 0;
    }
    static int (*real)(int, int, int);
    if (!real)
        *(void **)&real = dlsym(RTLD_NEXT, "socket");
    int fd = real(domain, type, protocol);
    if (fd >= 0 && fd < FDS_MAX)
        is_wire[fd] = domain == AF_INET && protocol == 0;
    return fd;
}

/* Under another name, since glibc declares its argument as a union of its own. */
int wire_bind(int fd, const struct sockaddr *address, socklen_t len) __asm__("bind");
int wire_bind(int fd, const struct sockaddr *address, socklen_t len)
{
    static int (*real)(int, const struct sockaddr *, socklen_t);
    if (!real)
        *(void **)&real = dlsym(RTLD_NEXT, "bind");
    if (!on_wire(fd))
        return real(fd, address, len);
    struct sockaddr_in group = wire_address();
    struct ip_mreqn member = {.imr_multiaddr = group.sin_addr,
                              .imr_ifindex = (int)if_nametoindex("lo")};
    int on = 1;
    if (setsockopt(fd, SOL_SOCKET, SO_REUSEADDR, &on, sizeof on) != 0 ||
        setsockopt(fd, IPPROTO_IP, IP_MULTICAST_IF, &member, sizeof member) != 0 ||
        setsockopt(fd, IPPROTO_IP, IP_ADD_MEMBERSHIP, &member, sizeof member) != 0)
        return -1;
    return real(fd, (struct sockaddr *)&group, sizeof group);
}

/* A sender has all frames filtered away: it is no member then. */
int setsockopt(int fd, int level, int name, const void *value, socklen_t len)
{
    static int (*real)(int, int, int, const void *, socklen_t);
    if (!real)
        *(void **)&real = dlsym(RTLD_NEXT, "setsockopt");
    if (level != SOL_CAN_RAW)
        return real(fd, level, name, value, len);
    if (name == CAN_RAW_FILTER && len == 0) {
        struct sockaddr_in group = wire_address();
        struct ip_mreqn member = {.imr_multiaddr = group.sin_addr,
                                  .imr_ifindex = (int)if_nametoindex("lo")};
        int off = 0;
        real(fd, IPPROTO_IP, IP_DROP_MEMBERSHIP, &member, sizeof member);
        return real(fd, IPPROTO_IP, IP_MULTICAST_ALL, &off, sizeof off);
    }
    return 0;
}

unsigned if_nametoindex(const char *name)
{
    static unsigned (*real)(const char *);
    if (!real)
        *(void **)&real = dlsym(RTLD_NEXT, "if_nametoindex");
    return strcmp(name, "wire0") == 0 ? 1 : real(name);
}

int ioctl(int fd, unsigned long request, ...)
{
    static int (*real)(int, unsigned long, ...);
    va_list args;
    va_start(args, request);
    struct ifreq *asked = va_arg(args, struct ifreq *);
    va_end(args);
    if (!real)
        *(void **)&real = dlsym(RTLD_NEXT, "ioctl");
    if (!on_wire(fd))
        return real(fd, request, asked);
    if (request == SIOCGIFHWADDR)
        asked->ifr_hwaddr.sa_family = ARPHRD_CAN;
    else if (request == SIOCGIFFLAGS)
        asked->ifr_flags = IFF_UP;
    else if (request == SIOCGIFMTU)
        asked->ifr_mtu = CANFD_MTU;
    else if (request == SIOCETHTOOL)
        memcpy(((struct ethtool_drvinfo *)(void *)asked->ifr_data)->driver, "vcan", 5);
    else
        return real(fd, request, asked);
    return 0;
}

ssize_t write(int fd, const void *bytes, size_t len)
{
    static ssize_t (*real)(int, const void *, size_t);
    if (!real)
        *(void **)&real = dlsym(RTLD_NEXT, "write");
    if (!on_wire(fd))
        return real(fd, bytes, len);
    struct sockaddr_in group = wire_address();
    return sendto(fd, bytes, len, 0, (struct sockaddr *)&group, sizeof group);
}

int recvmmsg(int fd, struct mmsghdr *headers, unsigned count, int flags, struct timespec *timeout)
{
    static int (*real)(int, struct mmsghdr *, unsigned, int, struct timespec *);
    if (!real)
        *(void **)&real = dlsym(RTLD_NEXT, "recvmmsg");
    int got = real(fd, headers, count, flags, timeout);
    for (int i = 0; i < got && on_wire(fd); i++)
        headers[i].msg_hdr.msg_flags |= MSG_DONTROUTE;
    return got;
}
