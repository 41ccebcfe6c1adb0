"""The pages: each module has the answers of one page and the table of its addresses. No page knows another."""
