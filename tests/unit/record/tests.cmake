unit_test(test_plot SOURCES ${CMAKE_CURRENT_SOURCE_DIR}/unit/record/test_plot.c LINKS record)
set_tests_properties(test_plot PROPERTIES ENVIRONMENT
  "LSAN_OPTIONS=suppressions=${CMAKE_CURRENT_SOURCE_DIR}/lsan.supp:print_suppressions=0")
