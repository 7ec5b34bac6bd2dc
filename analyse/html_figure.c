/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/html_figure.h"

#include "analyse/html_page.h"

void html_figure_open(FILE *out, const char *heading)
{
	fputs("<figure>\n", out);
	html_element(out, "h3", NULL, "%s", heading);
}

void html_figure_plot(FILE *out, const struct plot_xy *p)
{
	char why[200];
	if (plot_xy_svg(p, out, why, sizeof why) != 0)
		html_element(out, "p", "soft", "No picture here: %s. The numbers are in the table.", why);
}

void html_figure_caption(FILE *out, const char *text)
{
	html_element(out, "figcaption", NULL, "%s", text);
}

void html_figure_numbers(FILE *out, const char *heading)
{
	fputs("<details><summary>The numbers</summary>\n", out);
	html_table_open(out, heading);
}

void html_figure_close(FILE *out)
{
	html_table_close(out);
	fputs("</details>\n</figure>\n", out);
}
