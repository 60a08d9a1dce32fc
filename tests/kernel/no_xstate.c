/* Preloaded into user-mode-linux where it cannot start without: its 6.1 kernel keeps a process's
 * floating-point state in a room of fixed size, and on processors with more state than that (AMX
 * tiles) the host refuses to take it back, so that the first process of the guest dies. Told that
 * the host knows no extended state at all, it uses the older calls for the FXSAVE area instead. */
#include <elf.h>
#include <errno.h>
#include <stdarg.h>
#include <sys/ptrace.h>
#include <sys/syscall.h>
#include <sys/types.h>
#include <unistd.h>

long ptrace(enum __ptrace_request request, ...)
{
    va_list args;
    va_start(args, request);
    pid_t pid = va_arg(args, pid_t);
    void *address = va_arg(args, void *);
    void *data = va_arg(args, void *);
    va_end(args);
    if ((request == PTRACE_GETREGSET || request == PTRACE_SETREGSET) &&
        (unsigned long)address == NT_X86_XSTATE) {
        errno = EINVAL;
        return -1;
    }
    /* As the C library does it: a peek gives its result through the fourth argument. */
    long peeked = 0;
    int peeks =
        request == PTRACE_PEEKTEXT || request == PTRACE_PEEKDATA || request == PTRACE_PEEKUSER;
    long result = syscall(SYS_ptrace, (long)request, (long)pid, address, peeks ? &peeked : data);
    if (result == 0 && peeks)
        errno = 0;
    return result == 0 && peeks ? peeked : result;
}
