/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/html_page.h"

#include "analyse/escape.h"
#include "analyse/report_words.h"

#include <stdarg.h>
#include <string.h>

#define TEXT_MAX 2400

static const char *const STYLE[] = {
    ":root{color-scheme:light dark;--paper:#fbfaf7;--ink:#23272b;--soft:#5c656d;--rule:#d5d2c8;"
    "--panel:#f1efe8;--blue:#1f78c8;--amber:#e08a00;--plum:#a0459b;--slate:#7d8791;--bad:#9a4a00;"
    "--good:#1b5f8f}\n",
    "@media (prefers-color-scheme:dark){:root{--paper:#15181b;--ink:#e4e2dc;--soft:#a3abb2;"
    "--rule:#3a4046;--panel:#1e2327;--blue:#5aa7ea;--amber:#f0a63a;--plum:#d08acb;--slate:#98a2ab;"
    "--bad:#f0a63a;--good:#7fbdf0}}\n",
    "*{box-sizing:border-box}html{-webkit-text-size-adjust:100%}"
    "body{margin:0;background:var(--paper);color:var(--ink);"
    "font:16px/1.5 system-ui,-apple-system,\"Segoe UI\",\"DejaVu Sans\",sans-serif}\n",
    "main{max-width:72rem;margin:0 auto;padding:1rem}h1{font-size:1.5rem;line-height:1.25;margin:.4rem 0}"
    "h2{font-size:1.15rem;margin:2rem 0 .6rem;padding-top:.6rem;border-top:1px solid var(--rule)}"
    "h3{font-size:1rem;margin:0 0 .4rem}p{margin:.4rem 0}.soft{color:var(--soft)}"
    ".number{font-variant-numeric:tabular-nums}a{color:inherit}\n",
    "table{border-collapse:collapse;font-size:.9rem;font-variant-numeric:tabular-nums}"
    "th,td{padding:.25rem .6rem .25rem 0;text-align:right;vertical-align:top;white-space:nowrap}"
    "th{font-weight:600;color:var(--soft);border-bottom:1px solid var(--rule)}"
    "tr+tr td{border-top:1px solid var(--rule)}td:first-child,th:first-child{text-align:left}"
    ".scroll{overflow-x:auto;max-width:100%}\n",
    ".verdicts{display:grid;gap:.6rem;grid-template-columns:repeat(auto-fill,minmax(min(100%,10.5rem),1fr));"
    "list-style:none;margin:0;padding:0}.verdicts li,.card{background:var(--panel);"
    "border-left:.35rem solid var(--slate);padding:.6rem .8rem;border-radius:.2rem;min-width:0}"
    ".verdicts li.bad{border-left-color:var(--amber)}.verdicts li.good{border-left-color:var(--blue)}"
    ".rides{list-style:none;margin:.6rem 0;padding:0}.rides li{border-left:.35rem solid;padding:0 "
    ".8rem;margin:.5rem 0}.rides strong{display:block}.rides .b-blue{border-color:var(--blue)}"
    ".rides .b-amber{border-color:var(--amber)}.rides .b-plum{border-color:var(--plum)}.rides "
    ".b-slate{border-color:var(--slate)}"
    "tr.good td:last-child{color:var(--good);font-weight:700}tr.bad "
    "td:last-child{color:var(--bad);font-weight:700}"
    "@media (max-width:40rem){tr[class] td:first-child,tr[class] "
    "td:last-child{white-space:normal;overflow-wrap:normal}}\n",
    "@media (min-width:60rem){.verdicts{grid-template-columns:repeat(4,1fr)}}"
    ".verdicts strong{display:block}.verdict{font-weight:700}.bad .verdict{color:var(--bad)}"
    ".good .verdict{color:var(--good)}.cards{display:grid;gap:.6rem;"
    "grid-template-columns:repeat(auto-fit,minmax(min(100%,20rem),1fr))}"
    ".big{font-size:1.6rem;font-weight:650;line-height:1.2}\n",
    ".plots{display:grid;gap:1.2rem;grid-template-columns:repeat(auto-fit,minmax(min(100%,27rem),1fr))}"
    "figure{margin:0;min-width:0}figcaption{font-size:.9rem;color:var(--soft);margin:.2rem 0 .3rem}"
    "svg{display:block;width:100%;height:auto;color:var(--ink)}"
    "details{font-size:.9rem}summary{cursor:pointer;color:var(--soft)}\n",
    ".warn{border-left:.35rem solid var(--amber);background:var(--panel);padding:.6rem .8rem}"
    ".caution{border:2px solid var(--amber);padding:.6rem .9rem;margin-top:2rem}"
    "ul{padding-left:1.2rem;margin:.3rem 0}ul.warn{padding-left:1.8rem}li{margin:.25rem "
    "0}li,p,td,h1{overflow-wrap:anywhere}\n",
    /* gnuplot's own black, grey and series colours follow the page's. */
    "svg.plot [color=black]{color:var(--ink)}svg.plot [stroke=black]{stroke:var(--ink)}"
    "svg.plot [fill=black]{fill:var(--ink)}svg.plot [stroke=gray]{stroke:var(--rule)}"
    "svg.plot [color='rgb( 31, 120, 200)']{color:var(--blue)}svg.plot [stroke='rgb( 31, 120, "
    "200)']{stroke:var(--blue)}"
    "svg.plot [color='rgb(224, 138,   0)']{color:var(--amber)}svg.plot [stroke='rgb(224, 138,   "
    "0)']{stroke:var(--amber)}"
    "svg.plot [color='rgb(160,  69, 155)']{color:var(--plum)}svg.plot [stroke='rgb(160,  69, "
    "155)']{stroke:var(--plum)}"
    "svg.plot [color='rgb(125, 135, 145)']{color:var(--slate)}svg.plot [stroke='rgb(125, 135, "
    "145)']{stroke:var(--slate)}"
    "svg.plot tspan{font-family:system-ui,-apple-system,\"Segoe UI\",\"DejaVu Sans\",sans-serif}\n",
    ".f-blue{fill:var(--blue)}.f-amber{fill:var(--amber)}.f-plum{fill:var(--plum)}"
    ".f-slate{fill:var(--slate)}.f-ink{fill:var(--ink)}.f-soft{fill:var(--soft)}.s-blue{stroke:var(--blue)}"
    ".s-amber{stroke:var(--amber)}.s-plum{stroke:var(--plum)}.s-slate{stroke:var(--slate)}"
    ".s-ink{stroke:var(--ink)}.s-rule{stroke:var(--rule)}"
    "svg.own text{fill:var(--ink);font:13px system-ui,-apple-system,\"Segoe UI\",\"DejaVu "
    "Sans\",sans-serif}\n",
    "@media print{:root{--paper:#fff;--ink:#000;--soft:#333;--rule:#bbb;--panel:#fff;--blue:#1f78c8;"
    "--amber:#b86f00;--plum:#a0459b;--slate:#66707a;--bad:#7a3a00;--good:#134a70}"
    "main{max-width:none;padding:0}.big{font-size:14pt}h2{margin-top:1rem}body{font-size:10.5pt}figure,."
    "verdicts li,.card,tr{break-inside:avoid}"
    "h2{break-after:avoid}.plots{grid-template-columns:1fr 1fr}details:not([open]){display:none}}\n",
};

void html_open(FILE *out, const char *title)
{
	fputs("<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n"
	      "<meta name=\"viewport\" content=\"width=device-width,initial-scale=1\">\n"
	      "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src "
	      "'unsafe-inline'\">\n<title>",
	      out);
	html_text(out, "%s", title);
	fputs("</title>\n<style>\n", out);
	for (size_t i = 0; i < sizeof STYLE / sizeof *STYLE; i++)
		fputs(STYLE[i], out);
	fputs("</style>\n</head>\n<body>\n<main>\n", out);
}

void html_close(FILE *out)
{
	fputs("</main>\n</body>\n</html>\n", out);
}

/* Escapes and writes; "+/-" becomes the sign. */
static void put_text(FILE *out, const char *text)
{
	char safe[6 * TEXT_MAX];
	const char *at = escape_html(safe, sizeof safe, text);
	for (const char *sign; (sign = strstr(at, "+/-")) != NULL; at = sign + 3)
		fprintf(out, "%.*s&#177;", (int)(sign - at), at);
	fputs(at, out);
}

void html_text(FILE *out, const char *format, ...)
{
	char text[TEXT_MAX];
	va_list args;
	va_start(args, format);
	vsnprintf(text, sizeof text, format, args);
	va_end(args);
	put_text(out, text);
}

void html_element(FILE *out, const char *tag, const char *class_name, const char *format, ...)
{
	char text[TEXT_MAX];
	va_list args;
	va_start(args, format);
	vsnprintf(text, sizeof text, format, args);
	va_end(args);
	if (class_name != NULL)
		fprintf(out, "<%s class=\"%s\">", tag, class_name);
	else
		fprintf(out, "<%s>", tag);
	put_text(out, text);
	fprintf(out, "</%s>\n", tag);
}

static void put_cells(FILE *out, const char *class_name, const char *cell, char *text)
{
	if (class_name != NULL)
		fprintf(out, "<tr class=\"%s\">", class_name);
	else
		fputs("<tr>", out);
	for (char *at = text; at != NULL;) {
		char *end = strchr(at, '|');
		if (end != NULL)
			*end = '\0';
		fprintf(out, "<%s>", cell);
		put_text(out, at);
		fprintf(out, "</%s>", cell);
		at = end == NULL ? NULL : end + 1;
	}
	fputs("</tr>\n", out);
}

void html_table_open(FILE *out, const char *heading)
{
	char text[TEXT_MAX];
	snprintf(text, sizeof text, "%s", heading);
	fputs("<div class=\"scroll\"><table>\n", out);
	put_cells(out, NULL, "th", text);
}

void html_row(FILE *out, const char *format, ...)
{
	char text[TEXT_MAX];
	va_list args;
	va_start(args, format);
	vsnprintf(text, sizeof text, format, args);
	va_end(args);
	put_cells(out, NULL, "td", text);
}

void html_row_of(FILE *out, const char *class_name, const char *format, ...)
{
	char text[TEXT_MAX];
	va_list args;
	va_start(args, format);
	vsnprintf(text, sizeof text, format, args);
	va_end(args);
	put_cells(out, class_name, "td", text);
}

void html_table_close(FILE *out)
{
	fputs("</table></div>\n", out);
}

void html_lines(FILE *out, const char *heading, const char *class_name, const struct report_lines *l)
{
	if (l->n == 0)
		return;
	html_element(out, "h2", NULL, "%s", heading);
	fprintf(out, "<ul class=\"%s\">\n", class_name);
	for (size_t i = 0; i < l->n; i++)
		html_element(out, "li", NULL, "%s", l->line[i]);
	fputs("</ul>\n", out);
}

void html_caution(FILE *out)
{
	fputs("<section class=\"caution\">\n", out);
	html_element(out, "h3", NULL, "Caution");
	for (size_t i = 0; words_caution(i) != NULL; i++)
		html_element(out, "p", NULL, "%s", words_caution(i));
	fputs("</section>\n", out);
}
