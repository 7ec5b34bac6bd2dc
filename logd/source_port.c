/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "logd/source_port.h"

#include <errno.h>
#include <fcntl.h>
#include <libserialport.h>
#include <string.h>
#include <sysexits.h>

bool source_port_known(const char *path)
{
	struct sp_port *port = NULL;
	bool known = sp_get_port_by_name(path, &port) == SP_OK;
	sp_free_port(port);
	return known;
}

static int code_for(int error)
{
	switch (error) {
	case EBUSY:
		return EX_TEMPFAIL;
	case EACCES:
	case EPERM:
		return EX_NOPERM;
	case ENOENT:
	case ENODEV:
	case ENXIO:
		return EX_NOINPUT;
	default:
		return EX_IOERR;
	}
}

static int fail(const char *path, const char *what, struct fault *fault)
{
	int error = errno;
	return fault_set(fault, code_for(error), "%s: %s: %s", path, what, strerror(error));
}

static enum sp_return configure(struct sp_port *port, int baud)
{
	enum sp_return bad;
	if ((bad = sp_set_baudrate(port, baud)) != SP_OK || (bad = sp_set_bits(port, 8)) != SP_OK ||
	    (bad = sp_set_parity(port, SP_PARITY_NONE)) != SP_OK || (bad = sp_set_stopbits(port, 1)) != SP_OK)
		return bad;
	if ((bad = sp_set_cts(port, SP_CTS_IGNORE)) != SP_OK)
		return bad;
	return sp_set_xon_xoff(port, SP_XONXOFF_DISABLED);
}

static int speed_of(struct sp_port *port)
{
	struct sp_port_config *config;
	int speed = 0;
	if (sp_new_config(&config) != SP_OK)
		return 0;
	if (sp_get_config(port, config) != SP_OK || sp_get_config_baudrate(config, &speed) != SP_OK)
		speed = 0;
	sp_free_config(config);
	return speed;
}

static int open_configured(struct sp_port *port, const char *path, int baud, int *speed, struct fault *fault)
{
	if (sp_open(port, SP_MODE_READ_WRITE) != SP_OK)
		return fail(path, "cannot open", fault);
	int handle, fd = -1;
	if (configure(port, baud) != SP_OK)
		fail(path, "cannot set speed and format (is --baud one that this adapter can do?)", fault);
	else if (sp_get_port_handle(port, &handle) != SP_OK || (fd = fcntl(handle, F_DUPFD_CLOEXEC, 0)) < 0)
		fail(path, "cannot take over the descriptor", fault);
	else
		*speed = speed_of(port);
	sp_close(port);
	return fd;
}

int source_port_open(const char *path, int baud, int *speed, struct fault *fault)
{
	struct sp_port *port = NULL;
	if (sp_get_port_by_name(path, &port) != SP_OK)
		return fail(path, "not a serial port", fault);
	int fd = open_configured(port, path, baud, speed, fault);
	sp_free_port(port);
	return fd;
}
