set(record_tests ${CMAKE_CURRENT_SOURCE_DIR}/unit/record)
unit_test(test_plot SOURCES ${record_tests}/test_plot.c LINKS record)
unit_test(record_paper_test SOURCES ${record_tests}/record_test.c ${record_tests}/soak_journal.c LINKS record)
