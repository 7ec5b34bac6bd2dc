/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A folder of its own for each test of the recorder's parts, for Check fixtures. */
#ifndef LOGD_FOLDER_H
#define LOGD_FOLDER_H

void logd_folder_make(void);
/* With all that is in it. */
void logd_folder_remove(void);
const char *logd_folder(void);

/* The path of a name in it; good until the next call. */
const char *in_folder(const char *name);
/* Makes a file of one byte in it. */
void make_file(const char *name);

#endif
