#include "serial_port.h"

#include <ctype.h>
#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <libserialport.h>
#include <limits.h>
#include <linux/serial.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <sys/ioctl.h>
#include <termios.h>
#include <unistd.h>

struct serial_port {
    struct sp_port *sp; /* NULL for a pseudo terminal */
    int lock_fd;        /* our own descriptor: holds the lock, and is what a pseudo terminal is used through */
    int fd;
    char path[PATH_CAP];
};

/* Rates that both the kernel and Modbus devices use; anything else would silently become 9600 in some libraries. */
static const struct {
    int baud;
    speed_t speed;
} rates[] = {
    {1200, B1200},   {2400, B2400},     {4800, B4800},     {9600, B9600},     {19200, B19200},   {38400, B38400},
    {57600, B57600}, {115200, B115200}, {230400, B230400}, {460800, B460800}, {921600, B921600},
};

static int rate_speed(int baud, speed_t *speed)
{
    for (size_t i = 0; i < sizeof rates / sizeof rates[0]; i++) {
        if (rates[i].baud == baud) {
            *speed = rates[i].speed;
            return 0;
        }
    }
    return -1;
}

int serial_port_check(const struct bus_config *config, struct error *err)
{
    speed_t speed = 0;
    if (config->port[0] == '\0')
        return error_set(err, "bus %s: no port is given", config->name);
    if (rate_speed(config->baud, &speed) != 0)
        return error_set(err,
                         "bus %s: baud %d is none of 1200 2400 4800 9600 19200 38400 57600 115200 230400 460800 "
                         "921600",
                         config->name, config->baud);
    if (config->data_bits != 7 && config->data_bits != 8)
        return error_set(err, "bus %s: data bits must be 7 or 8", config->name);
    if (config->kind == BUS_MODBUS_RTU && config->data_bits != 8)
        return error_set(err, "bus %s: Modbus RTU needs 8 data bits", config->name);
    if (config->stop_bits != 1 && config->stop_bits != 2)
        return error_set(err, "bus %s: stop bits must be 1 or 2", config->name);
    return 0;
}

/* Does the process with this number have the file open? Its name then goes into name. */
static bool process_holds(const char *pid, const char *path, char *name, size_t cap)
{
    char dir[64];
    (void)text_format(dir, sizeof dir, "/proc/%.20s/fd", pid);
    DIR *fds = opendir(dir);
    if (fds == NULL)
        return false;
    bool found = false;
    const struct dirent *entry;
    while (!found && (entry = readdir(fds)) != NULL) {
        char link[128], target[PATH_MAX];
        (void)text_format(link, sizeof link, "%s/%.40s", dir, entry->d_name);
        ssize_t n = readlink(link, target, sizeof target - 1);
        if (n > 0) {
            target[n] = '\0';
            found = strcmp(target, path) == 0;
        }
    }
    (void)closedir(fds);
    if (!found)
        return false;
    char comm_path[64];
    (void)text_format(comm_path, sizeof comm_path, "/proc/%.20s/comm", pid);
    char comm[64] = "";
    int fd = open(comm_path, O_RDONLY | O_CLOEXEC);
    if (fd >= 0) {
        ssize_t n = read(fd, comm, sizeof comm - 1);
        (void)close(fd);
        if (n > 0)
            comm[strcspn(comm, "\n")] = '\0';
    }
    (void)text_format(name, cap, "process %.20s (%s)", pid, comm[0] != '\0' ? comm : "name unknown");
    return true;
}

/* Does another process have the port open? Others' processes may be hidden from us: then we cannot say. */
static bool find_holder(const char *path, char *name, size_t cap)
{
    DIR *proc = opendir("/proc");
    if (proc == NULL)
        return false;
    char own[24];
    (void)text_format(own, sizeof own, "%ld", (long)getpid());
    bool found = false;
    const struct dirent *entry;
    while (!found && (entry = readdir(proc)) != NULL) {
        if (isdigit((unsigned char)entry->d_name[0]) && strcmp(entry->d_name, own) != 0)
            found = process_holds(entry->d_name, path, name, cap);
    }
    (void)closedir(proc);
    return found;
}

/* Of a port that is held for certain. */
static void name_holder(const char *path, char *name, size_t cap)
{
    char own[24];
    (void)text_format(own, sizeof own, "%ld", (long)getpid());
    if (find_holder(path, name, cap))
        return;
    (void)text_copy(name, cap,
                    process_holds(own, path, name, cap) ? "another bus of this same process"
                                                        : "a process that we may not look into");
}

static int lock_port(struct serial_port *port, struct error *err)
{
    char holder[128];
    port->lock_fd = open(port->path, O_RDWR | O_NOCTTY | O_NONBLOCK | O_CLOEXEC);
    if (port->lock_fd < 0 && errno == EBUSY) {
        name_holder(port->path, holder, sizeof holder);
        return error_set(err, "%s is held by %s, exclusively", port->path, holder);
    }
    if (port->lock_fd < 0)
        return error_set(err, "%s: %s", port->path, strerror(errno));
    if (flock(port->lock_fd, LOCK_EX | LOCK_NB) != 0) {
        name_holder(port->path, holder, sizeof holder);
        return error_set(err, "%s is locked by %s: one program at a time can use a port", port->path, holder);
    }
    return 0;
}

/* A terminal program that was there before us and takes no lock would eat part of the answers. */
static int refuse_if_open_elsewhere(const struct serial_port *port, struct error *err)
{
    char holder[128];
    if (!find_holder(port->path, holder, sizeof holder))
        return 0;
    return error_set(err, "%s is open in %s: end that first, or it takes part of the answers", port->path, holder);
}

static int set_by_library(struct serial_port *port, const struct bus_config *c, struct error *err)
{
    const enum sp_parity parity = c->parity == PARITY_NONE  ? SP_PARITY_NONE
                                  : c->parity == PARITY_ODD ? SP_PARITY_ODD
                                                            : SP_PARITY_EVEN;
    if (sp_open(port->sp, SP_MODE_READ_WRITE) != SP_OK || sp_set_baudrate(port->sp, c->baud) != SP_OK ||
        sp_set_bits(port->sp, c->data_bits) != SP_OK || sp_set_parity(port->sp, parity) != SP_OK ||
        sp_set_stopbits(port->sp, c->stop_bits) != SP_OK || sp_set_flowcontrol(port->sp, SP_FLOWCONTROL_NONE) != SP_OK)
        return error_set(err, "%s: cannot be set to %d baud: %s", port->path, c->baud, strerror(errno));
    if (sp_get_port_handle(port->sp, &port->fd) != SP_OK)
        return error_set(err, "%s: has no descriptor", port->path);
    return 0;
}

static bool is_pseudo(const struct serial_port *port)
{
    return strncmp(port->path, "/dev/pts/", 9) == 0;
}

static int set_by_termios(struct serial_port *port, const struct bus_config *c, struct error *err)
{
    struct termios tio;
    speed_t speed = B9600;
    if (tcgetattr(port->lock_fd, &tio) != 0 || rate_speed(c->baud, &speed) != 0)
        return error_set(err, "%s: is not a terminal line", port->path);
    cfmakeraw(&tio);
    tio.c_cflag = (tio.c_cflag & ~(tcflag_t)(CSIZE | CSTOPB | PARENB | PARODD | CRTSCTS)) | CLOCAL | CREAD;
    tio.c_cflag |= c->data_bits == 7 ? CS7 : CS8;
    if (c->stop_bits == 2)
        tio.c_cflag |= CSTOPB;
    /* A pseudo terminal has no parity, and the C library fails when it finds that the bit did not stick. */
    if (c->parity != PARITY_NONE && !is_pseudo(port))
        tio.c_cflag |= PARENB | (c->parity == PARITY_ODD ? PARODD : 0);
    tio.c_cc[VMIN] = 0;
    tio.c_cc[VTIME] = 0;
    if (cfsetspeed(&tio, speed) != 0 || tcsetattr(port->lock_fd, TCSANOW, &tio) != 0)
        return error_set(err, "%s: cannot be set: %s", port->path, strerror(errno));
    port->fd = port->lock_fd;
    return 0;
}

/* The rate as the kernel has it. The library sets rates above 460800 as a plain number, for which the terminal's own
 * structure has no name: there the library is asked again. */
static int rate_read_back(const struct serial_port *port, const struct termios *tio, int *baud)
{
    struct sp_port_config *config = NULL;
    speed_t speed = B0;
    if (port->sp != NULL) {
        int rc = sp_new_config(&config) == SP_OK && sp_get_config(port->sp, config) == SP_OK &&
                         sp_get_config_baudrate(config, baud) == SP_OK
                     ? 0
                     : -1;
        sp_free_config(config);
        return rc;
    }
    if (rate_speed(*baud, &speed) != 0 || cfgetospeed(tio) != speed || cfgetispeed(tio) != speed)
        *baud = 0;
    return 0;
}

/* A driver may accept what it cannot do. */
static int read_back(const struct serial_port *port, const struct bus_config *c, struct error *err)
{
    struct termios tio;
    int baud = c->baud;
    if (tcgetattr(port->fd, &tio) != 0 || rate_read_back(port, &tio, &baud) != 0)
        return error_set(err, "%s: settings cannot be read back: %s", port->path, strerror(errno));
    bool parity_right = (c->parity != PARITY_NONE) == ((tio.c_cflag & PARENB) != 0) &&
                        (c->parity != PARITY_ODD || (tio.c_cflag & PARODD) != 0);
    if (baud != c->baud)
        return error_set(err, "%s: does not take %d baud", port->path, c->baud);
    if (port->sp != NULL && (!parity_right || ((tio.c_cflag & CSTOPB) != 0) != (c->stop_bits == 2) ||
                             (tio.c_cflag & CSIZE) != (c->data_bits == 7 ? CS7 : CS8)))
        return error_set(err, "%s: does not take the parity, data bits or stop bits asked for", port->path);
    return 0;
}

/* The kernel switches the direction; toggling a modem line from here would be late by a good part of a character. */
static int set_rs485(const struct serial_port *port, struct error *err)
{
    struct serial_rs485 mode;
    memset(&mode, 0, sizeof mode);
    mode.flags = SER_RS485_ENABLED | SER_RS485_RTS_ON_SEND;
    if (ioctl(port->fd, TIOCSRS485, &mode) != 0)
        return error_set(err,
                         "%s: its driver cannot switch RS-485 direction (%s); use a converter that switches by "
                         "itself and leave rs485 out",
                         port->path, strerror(errno));
    return 0;
}

struct serial_port *serial_port_open(const struct bus_config *config, struct error *err)
{
    struct serial_port *port = calloc(1, sizeof *port);
    char real[PATH_MAX];
    if (port == NULL) {
        (void)error_set(err, "out of memory");
        return NULL;
    }
    port->lock_fd = -1;
    port->fd = -1;
    /* libserialport looks a port up by its kernel name, so persistent links are resolved at each open: after a replug
     * the link points to the new name. */
    if (realpath(config->port, real) == NULL || text_copy(port->path, sizeof port->path, real) != 0) {
        (void)error_set(err, "%s: %s", config->port, strerror(errno));
        goto fail;
    }
    if (lock_port(port, err) != 0)
        goto fail;
    if (!is_pseudo(port) && sp_get_port_by_name(port->path, &port->sp) != SP_OK)
        port->sp = NULL;
    if (port->sp != NULL && refuse_if_open_elsewhere(port, err) != 0)
        goto fail;
    if ((port->sp != NULL ? set_by_library(port, config, err) : set_by_termios(port, config, err)) != 0 ||
        read_back(port, config, err) != 0)
        goto fail;
    if (config->rs485 && set_rs485(port, err) != 0)
        goto fail;
    /* Last, since it would keep our own second descriptor out as well. Root passes it: hence the lock before. */
    if (ioctl(port->fd, TIOCEXCL) != 0) {
        (void)error_set(err, "%s: cannot be taken exclusively: %s", port->path, strerror(errno));
        goto fail;
    }
    (void)tcflush(port->fd, TCIOFLUSH);
    return port;
fail:
    serial_port_close(port);
    return NULL;
}

void serial_port_close(struct serial_port *port)
{
    if (port == NULL)
        return;
    if (port->fd >= 0)
        (void)ioctl(port->fd, TIOCNXCL);
    if (port->sp != NULL) {
        (void)sp_close(port->sp);
        sp_free_port(port->sp);
    }
    if (port->lock_fd >= 0)
        (void)close(port->lock_fd);
    free(port);
}

int serial_port_fd(const struct serial_port *port)
{
    return port->fd;
}
