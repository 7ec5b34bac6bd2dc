/* SPDX-License-Identifier: GPL-3.0-or-later */
/* trammeld: from the engine's link to crash-safe segments, and nothing else. */
#include "common/engine.h"
#include "common/fault.h"
#include "logd/clock.h"
#include "logd/log.h"
#include "logd/options.h"
#include "logd/receiver.h"
#include "logd/recorder.h"
#include "logd/show.h"
#include "logd/socket.h"
#include "logd/source.h"
#include "logd/store.h"
#include "logd/watch.h"

#include <errno.h>
#include <fcntl.h>
#include <pthread.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/eventfd.h>
#include <sys/mman.h>
#include <sys/signalfd.h>
#include <sys/stat.h>
#include <sysexits.h>
#include <systemd/sd-daemon.h>
#include <unistd.h>

#define VERSION "1.0"
#define RING_SECONDS 20 /* of line rate; entry heads and disk stalls of 10 s included */
#define RING_LEAST ((size_t)4 << 20)
#define THREAD_STACK ((size_t)256 * 1024)

/* Everything a recording needs, taken before the first byte arrives. */
struct recording {
	struct options options;
	struct engine engine;
	struct source source;
	struct status status;
	struct log *log;
	struct ring *ring;
	struct link_decoder *decoder;
	struct store *store;
	struct receiver receiver;
	struct recorder recorder;
	struct watch watch;
	atomic_bool stop, rotate;
	pthread_t receiver_thread, writer_thread;
	char socket_path[4096];
	char facts_source[SOURCE_LABEL_MAX];
};

static int out_of_memory(struct fault *fault)
{
	return fault_set(fault, EX_OSERR, "out of memory or descriptors: %s", strerror(errno));
}

static const char *link_name(enum link_kind kind)
{
	return kind == LINK_LINES ? "lines" : "frames";
}

static void name_socket(const struct options *o, char *path, size_t size)
{
	if (o->socket != NULL)
		snprintf(path, size, "%s", o->socket);
	else if (o->into != NULL)
		snprintf(path, size, "%s/status.sock", o->into);
	else
		snprintf(path, size, "/run/trammel/status.sock");
}

/* Signals are taken by the supervisor alone, from a descriptor. */
static int take_signals(struct fault *fault)
{
	sigset_t set;
	sigemptyset(&set);
	sigaddset(&set, SIGTERM);
	sigaddset(&set, SIGINT);
	sigaddset(&set, SIGHUP);
	signal(SIGPIPE, SIG_IGN);
	signal(SIGXFSZ, SIG_IGN); /* a file too large is a write error like others */
	if (pthread_sigmask(SIG_BLOCK, &set, NULL) != 0)
		return out_of_memory(fault);
	int fd = signalfd(-1, &set, SFD_NONBLOCK | SFD_CLOEXEC);
	return fd < 0 ? out_of_memory(fault) : fd;
}

/* A port that is not there (or busy) ends the start unless --wait was given. */
static int open_source(struct recording *r, struct fault *fault)
{
	const struct options *o = &r->options;
	r->source = source_make(o->port, o->baud, o->reset_board);
	if (source_open(&r->source, fault) == 0) {
		if (r->source.note[0] != '\0')
			log_say(r->log, LOG_PLAIN, LOG_LEVEL_WARNING, "%s: %s", o->port, r->source.note);
		return 0;
	}
	bool passing = fault->exit_code == EX_NOINPUT || fault->exit_code == EX_TEMPFAIL;
	if (!o->wait || !passing)
		return -1;
	log_say(r->log, LOG_LINK, LOG_LEVEL_WARNING, "%s; waiting for it", fault->text);
	fault->exit_code = 0;
	r->source.kind = source_expected(o->port);
	r->source.live = true;
	return 0;
}

static bool is_regular(int fd)
{
	struct stat st;
	return fd >= 0 && fstat(fd, &st) == 0 && S_ISREG(st.st_mode);
}

static struct store_config store_config_of(const struct recording *r)
{
	const struct options *o = &r->options;
	return (struct store_config){
	    .directory = o->into,
	    .segment_bytes = o->segment_bytes,
	    .segment_age_us = o->segment_age_us,
	    .sync_us = o->sync_us,
	    .keep_bytes = o->keep_bytes,
	    .keep_free_bytes = o->keep_free_bytes,
	    .keep_free_fraction = o->keep_free_fraction,
	    .live = r->source.live,
	    .timed = !is_regular(r->source.fd),
	    .patient = !r->source.live,
	    .engine_text = r->engine.source,
	    .engine_len = r->engine.source_len,
	    .source = r->facts_source,
	};
}

static size_t ring_bytes(int baud)
{
	size_t n = (size_t)baud / 10 * RING_SECONDS; /* ten bits a byte */
	return n > RING_LEAST ? n : RING_LEAST;
}

static int take_memory(struct recording *r, struct fault *fault)
{
	source_label(r->source.kind, link_name(r->options.link), r->options.baud, r->facts_source);
	struct store_config config = store_config_of(r);
	r->ring = ring_new(ring_bytes(r->options.baud));
	r->decoder = link_decoder_new(r->options.link);
	r->store = store_new(&config, &r->status, r->log, &r->stop);
	if (r->ring == NULL || r->decoder == NULL || r->store == NULL)
		return out_of_memory(fault);
	return 0;
}

static int join_parts(struct recording *r, struct fault *fault)
{
	int stop_fd = eventfd(0, EFD_CLOEXEC | EFD_NONBLOCK),
	    done_fd = eventfd(0, EFD_CLOEXEC | EFD_NONBLOCK);
	if (stop_fd < 0 || done_fd < 0)
		return out_of_memory(fault);
	r->receiver = (struct receiver){
	    .source = &r->source, .ring = r->ring, .status = &r->status, .wake_fd = stop_fd};
	r->recorder = (struct recorder){
	    .ring = r->ring,
	    .decoder = r->decoder,
	    .store = r->store,
	    .status = &r->status,
	    .log = r->log,
	    .engine = &r->engine,
	    .live = r->source.live,
	    .link = link_name(r->options.link),
	    .baud = r->options.baud,
	    .rotate = &r->rotate,
	    .done_fd = done_fd,
	};
	r->watch.done_fd = done_fd;
	r->watch.stop_fd = stop_fd;
	r->watch.stop = &r->stop;
	r->watch.rotate = &r->rotate;
	r->watch.ring = r->ring;
	r->watch.status = &r->status;
	r->watch.about = (struct status_about){
	    .port = r->options.port,
	    .link = link_name(r->options.link),
	    .directory = r->options.into,
	    .baud = r->options.baud,
	    .engine = &r->engine,
	    .start_us = clock_mono_us(),
	    .ring_size = ring_size(r->ring),
	};
	return 0;
}

/* No status socket is a pity, not a reason not to record. */
static void open_socket(struct recording *r)
{
	struct fault fault = {0};
	name_socket(&r->options, r->socket_path, sizeof r->socket_path);
	r->watch.listen_fd = socket_listen(r->socket_path, &fault);
	if (r->watch.listen_fd < 0)
		log_say(r->log, LOG_SOCKET, LOG_LEVEL_WARNING, "%s", fault.text);
}

static int prepare(struct recording *r, struct fault *fault)
{
	status_init(&r->status);
	if ((r->watch.signal_fd = take_signals(fault)) < 0)
		return -1;
	if (engine_read(r->options.engine, &r->engine, fault) != 0)
		return -1;
	if (r->engine.source_len > SEGMENT_ENGINE_MAX)
		return fault_set(fault, EX_CONFIG,
		                 "%s: longer than %d bytes, more than a segment takes; shorten it",
		                 r->options.engine, SEGMENT_ENGINE_MAX);
	if (open_source(r, fault) != 0 || take_memory(r, fault) != 0)
		return -1;
	status_set(&r->status.source_kind, r->source.kind);
	if (store_start(r->store, fault) != 0 || join_parts(r, fault) != 0)
		return -1;
	open_socket(r);
	return 0;
}

static int start_thread(pthread_t *thread, void *(*body)(void *), void *arg, struct fault *fault)
{
	pthread_attr_t attr;
	int error = pthread_attr_init(&attr);
	if (error == 0) {
		(void)pthread_attr_setstacksize(&attr, THREAD_STACK);
		error = pthread_create(thread, &attr, body, arg);
		pthread_attr_destroy(&attr);
	}
	return error == 0 ? 0 : fault_set(fault, EX_OSERR, "cannot start a thread: %s", strerror(error));
}

static int start_threads(struct recording *r, struct fault *fault)
{
	if (start_thread(&r->writer_thread, recorder_run, &r->recorder, fault) != 0)
		return -1;
	if (start_thread(&r->receiver_thread, receiver_run, &r->receiver, fault) == 0)
		return 0;
	/* The writer runs already, and what it works on is about to be given back. */
	(void)ring_event(r->ring, RING_END, clock_mono_us(), 0, "");
	pthread_join(r->writer_thread, NULL);
	return -1;
}

static int outcome(const struct recording *r, struct fault *fault)
{
	const struct status *s = &r->status;
	long long lost = status_get(&s->records_not_kept);
	if (r->recorder.lost)
		return fault_set(fault, EX_IOERR, "%s: %lld record%s could not be kept", r->options.into,
		                 lost, log_s(lost));
	if (r->recorder.why[0] != '\0')
		return fault_set(fault, EX_IOERR, "%s: read error: %s", r->options.port, r->recorder.why);
	if (!r->source.live && status_get(&s->damaged_bytes) > 0 && status_get(&s->records) == 0)
		return fault_set(fault, EX_DATAERR,
		                 "%s: nothing in it is valid for --link %s; is it --link %s?",
		                 r->options.port, link_name(r->options.link),
		                 link_name(r->options.link == LINK_LINES ? LINK_FRAMES : LINK_LINES));
	return 0;
}

/* A stable name and what it stands for now, both. */
static void say_start(const struct recording *r)
{
	bool other = r->source.real[0] == '/' && strcmp(r->source.real, r->options.port) != 0;
	log_say(r->log, LOG_PLAIN, LOG_LEVEL_NOTICE, "recording %s%s%s (%s) into %s, session %lld",
	        r->options.port, other ? " = " : "", other ? r->source.real : "", r->facts_source,
	        r->options.into, (long long)status_get(&r->status.session));
}

static void say_end(const struct recording *r)
{
	const struct status *s = &r->status;
	long long records = status_get(&s->records_synced), bytes = status_get(&s->damaged_bytes);
	log_say(r->log, LOG_PLAIN, LOG_LEVEL_NOTICE,
	        "%lld record%s kept in session %lld, %lld byte%s %s not valid, %lld dropped", records,
	        log_s(records), (long long)status_get(&s->session), bytes, log_s(bytes),
	        bytes == 1 ? "was" : "were", (long long)status_get(&s->bytes_dropped));
}

static int run(struct recording *r, struct fault *fault)
{
	/* Best effort: memory that is never swapped needs no disk to be reached. */
	(void)mlockall(MCL_CURRENT | MCL_FUTURE | MCL_ONFAULT);
	say_start(r); /* before the threads: the receiver owns the port's name from then on */
	status_set(&r->status.receiver_tick_us, clock_mono_us());
	if (start_threads(r, fault) != 0)
		return -1;
	(void)sd_watchdog_enabled(0, &r->watch.watchdog_us);
	sd_notify(0, "READY=1");
	if (watch_run(&r->watch) == WATCH_STUCK) {
		long long waiting = status_get(&r->status.records_waiting);
		log_say(r->log, LOG_PLAIN, LOG_LEVEL_ERROR,
		        "%s: the disk does not answer; ending with %lld record%s unwritten", r->options.into,
		        waiting, log_s(waiting));
		_exit(EX_IOERR);
	}
	pthread_join(r->receiver_thread, NULL);
	pthread_join(r->writer_thread, NULL);
	if (r->watch.listen_fd >= 0)
		unlink(r->socket_path);
	say_end(r);
	return outcome(r, fault);
}

static void release(struct recording *r)
{
	source_close(&r->source);
	store_free(r->store);
	link_decoder_free(r->decoder);
	ring_free(r->ring);
	engine_free(&r->engine);
	log_free(r->log);
	free(r);
}

static int record(const struct options *o, struct fault *fault)
{
	struct recording *r = calloc(1, sizeof *r);
	if (r == NULL)
		return out_of_memory(fault);
	r->options = *o;
	r->source.fd = r->watch.listen_fd = -1;
	r->log = log_new(o->quiet);
	int bad = r->log == NULL ? out_of_memory(fault) : prepare(r, fault);
	if (bad == 0)
		bad = run(r, fault);
	release(r);
	return bad;
}

static int status(const struct options *o, struct fault *fault)
{
	char path[4096], line[STATUS_JSON_MAX];
	name_socket(o, path, sizeof path);
	if (socket_ask(path, line, sizeof line, fault) != 0)
		return -1;
	if (o->what == DO_STATUS_JSON)
		puts(line);
	else
		show_status(line, stdout);
	return 0;
}

static int act(const struct options *o, struct fault *fault)
{
	switch (o->what) {
	case DO_HELP:
		fputs(options_help, stdout);
		return 0;
	case DO_VERSION:
		puts("trammeld " VERSION);
		return 0;
	case DO_STATUS:
	case DO_STATUS_JSON:
		return status(o, fault);
	case DO_RECORD:
		return record(o, fault);
	}
	return 0;
}

/* A standard descriptor that was closed must not be given to the first file we open: messages would
 * go into the log.  Standard input gets one that cannot be read, which source_open understands. */
static void hold_standard_descriptors(void)
{
	while (true) {
		int fd = open("/dev/null", O_WRONLY);
		if (fd < 0 || fd > STDERR_FILENO) {
			close(fd);
			return;
		}
	}
}

int main(int argc, char **argv)
{
	struct options o;
	struct fault fault = {0};
	hold_standard_descriptors();
	if (options_read(argc, argv, &o, &fault) == 0 && act(&o, &fault) == 0 && fflush(stdout) == 0)
		return EX_OK;
	fprintf(stderr, "trammeld: %s\n", fault.exit_code != 0 ? fault.text : strerror(errno));
	return fault.exit_code != 0 ? fault.exit_code : EX_IOERR;
}
